"""``mustwatch calc`` where volumes change: sugar or water added, two lots made one."""

from typing import Annotated

import typer

from mustwatch.cellar.measures import PLAIN
from mustwatch.cli.calc_figures import GravityOption, Json, LitresOption, measures, refusing, tell
from mustwatch.must import enrichment
from mustwatch.must.density import WATER_20_KG_PER_M3
from mustwatch.recording import units

TargetOption = Annotated[str, typer.Option("--target-gravity", metavar="G", help="Gravity to reach.")]
WithLitres = Annotated[str, typer.Option("--with-litres", metavar="L", help="Volume of the other.")]
WithGravity = Annotated[str, typer.Option("--with-gravity", metavar="G", help="Gravity of the other.")]
AbvOption = Annotated[str | None, typer.Option("--abv", metavar="A", help="Its alcohol, % vol.")]
WithAbv = Annotated[str | None, typer.Option("--with-abv", metavar="A", help="Alcohol of the other, % vol.")]


def chaptalise(
    litres: LitresOption, gravity: GravityOption, target_gravity: TargetOption, as_json: Json = False
) -> None:
    """Tell the sugar that lifts a must to a gravity, and the volume it then has."""
    with refusing():
        start = units.gravity("--gravity", gravity)
        volume = units.volume_litres("--litres", litres)
        result = enrichment.sugar_to_reach(volume, start, units.gravity("--target-gravity", target_gravity))
        before, after = enrichment.potential_before_and_after(volume, start, result)
    tell(
        as_json,
        {
            "sugar_g": round(result.grams, 1),
            "final_litres": round(result.final_litres, 3),
            "potential_abv_gain_percent": round(after - before, 2),
            "method": "mass balance of sucrose; the volume from the density of the result",
            "source": "ICUMSA SPS-4; EU and OIV conversion for the alcohol",
            "cautions": [enrichment.CAUTION],
        },
        [
            f"sugar to add       {PLAIN.mass(result.grams)}   (household sugar, sucrose)",
            f"volume after       {PLAIN.volume(result.final_litres)}   (leave room for it and for the foam)",
            f"potential alcohol  {before:.1f} to {after:.1f} % vol",
        ],
    )


def dilute(
    litres: LitresOption, gravity: GravityOption, target_gravity: TargetOption, as_json: Json = False
) -> None:
    """Tell the water that brings a must down to a gravity."""
    with refusing():
        result = enrichment.water_to_reach(
            units.volume_litres("--litres", litres),
            units.gravity("--gravity", gravity),
            units.gravity("--target-gravity", target_gravity),
        )
    water_litres = result.grams / WATER_20_KG_PER_M3
    tell(
        as_json,
        {
            "water_litres": round(water_litres, 3),
            "final_litres": round(result.final_litres, 3),
            "method": "mass balance of sucrose and water",
            "source": "ICUMSA SPS-4",
            "cautions": [enrichment.WATER_CAUTION],
        },
        [
            f"water to add       {PLAIN.volume(water_litres)}",
            f"volume after       {PLAIN.volume(result.final_litres)}",
        ],
    )


def blend(
    litres: LitresOption,
    gravity: GravityOption,
    with_litres: WithLitres,
    with_gravity: WithGravity,
    abv: AbvOption = None,
    with_abv: WithAbv = None,
    as_json: Json = False,
) -> None:
    """Tell what two lots make together."""
    _blend(as_json, litres, gravity, with_litres, with_gravity, abv, with_abv)


def topup(
    litres: LitresOption,
    gravity: GravityOption,
    with_litres: WithLitres,
    with_gravity: WithGravity = "1.000",
    abv: AbvOption = None,
    with_abv: WithAbv = "0",
    as_json: Json = False,
) -> None:
    """Tell what topping up (with water unless told otherwise) does to a lot."""
    _blend(as_json, litres, gravity, with_litres, with_gravity, abv, with_abv)


def _blend(
    as_json: bool,
    litres: str,
    gravity: str,
    with_litres: str,
    with_gravity: str,
    abv: str | None,
    with_abv: str | None,
) -> None:
    with refusing():
        result = enrichment.blend(
            units.volume_litres("--litres", litres),
            units.gravity("--gravity", gravity),
            units.volume_litres("--with-litres", with_litres),
            units.gravity("--with-gravity", with_gravity),
            abv_percent=None if abv is None else units.quantity("--abv", abv, "e.g. 12", units.PERCENT),
            with_abv_percent=None
            if with_abv is None
            else units.quantity("--with-abv", with_abv, "e.g. 12", units.PERCENT),
        )
    strength = result.abv_percent
    tell(
        as_json,
        {
            "litres": round(result.litres, 3),
            "gravity": round(result.gravity, 5),
            "abv_percent": None if strength is None else round(strength, 2),
            "method": "volumes added, gravity and alcohol averaged by volume; contraction (below 0.2 %) left out",
            "source": "conservation of mass",
            "cautions": [],
        },
        [
            f"volume             {PLAIN.volume(result.litres)}",
            f"gravity 20/20      {(PLAIN if as_json else measures()).gravity(result.gravity, 4)}",
            *([] if strength is None else [f"alcohol            {strength:.1f} % vol"]),
        ],
    )
