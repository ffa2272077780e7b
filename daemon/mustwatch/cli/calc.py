"""``mustwatch calc``: the trade's arithmetic, each figure with the method and source it comes from."""

from typing import Annotated, Final

import typer

from mustwatch.cellar.measures import PLAIN
from mustwatch.cli.calc_figures import Json, measures, refusing, tell
from mustwatch.cli.calc_mixing import blend, chaptalise, dilute, topup
from mustwatch.cli.calc_sulfite import sulfite
from mustwatch.must.alcohol import (
    SOURCES,
    Method,
    potential_abv_percent,
    potential_range_percent,
)
from mustwatch.must.alcohol import alcohol as alcohol_between
from mustwatch.must.density import GLASS_EXPANSION_PER_K, gravity_20_from_reading
from mustwatch.must.expansion import gravity_20_of_liquid
from mustwatch.must.sugar import (
    baume_from_gravity,
    brix_from_gravity,
    fermentable_g_per_l,
    gravity_from_brix,
    oechsle_from_gravity,
    sugar_g_per_l_from_gravity,
)
from mustwatch.recording import units

app = typer.Typer(
    help="The trade's arithmetic. Units may be given: 20C, 68F, 293K, 23L, 6gal (US), 5impgal, 22Bx, 90Oe.",
    add_completion=False,
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

BOTTLE_CAUTION: Final = (
    "A hydrometer cannot tell a dry wine from one that still holds sugar: before bottling, test for sugar and see the "
    "gravity stay the same for days. Sugar that ferments in the bottle bursts it."
)


@app.command()
def correct(
    gravity: Annotated[str, typer.Option("--gravity", metavar="G", help="Gravity as read.")],
    celsius: Annotated[str, typer.Option("--celsius", metavar="T", help="Of the liquid: 25, 25C or 77F.")],
    calibrated_at: Annotated[
        str, typer.Option("--calibrated-at", metavar="T", help="What the scale is made for: 20, 15 or 60F.")
    ] = "20",
    abv: Annotated[str, typer.Option("--abv", metavar="A", help="Alcohol of the liquid, % vol.")] = "0",
    as_json: Json = False,
) -> None:
    """Correct a hydrometer's reading to gravity 20/20 °C."""
    with refusing():
        read = units.gravity("--gravity", gravity)
        at_c = units.temperature_c("--celsius", celsius)
        scale_c = units.temperature_c("--calibrated-at", calibrated_at)
        abv_percent = units.quantity("--abv", abv, "e.g. 12", units.PERCENT)
        corrected = gravity_20_from_reading(read, at_c, calibrated_at_c=scale_c)
        exact = gravity_20_of_liquid(
            read,
            at_c,
            abv_percent=abv_percent,
            calibrated_at_c=scale_c,
            expansion_per_k=GLASS_EXPANSION_PER_K,
        )
    said = PLAIN if as_json else measures()
    tell(
        as_json,
        {
            "gravity": round(corrected, 5),
            "gravity_as_read": round(read, 5),
            "celsius": round(at_c, 2),
            "calibrated_at_celsius": round(scale_c, 2),
            "correction": round(corrected - read, 5) + 0.0,
            "gravity_by_liquid_and_glass": round(exact, 5),
            "abv_percent": abv_percent,
            "method": "water ratio: the liquid is taken to expand as water does",
            "source": "water by Tanaka et al. 2001 (CIPM); must by ICUMSA SPS-4, wine by OIML R 22, glass by ISO 1768",
        },
        [
            f"gravity 20/20      {said.gravity(corrected, 4)}   "
            f"(read {said.gravity(read, 4)} at {said.temperature(at_c)})",
            f"to compare         {said.gravity(exact, 4)}   (glass hydrometer in {_kind_of(abv_percent)})",
        ],
    )


def _kind_of(abv_percent: float) -> str:
    kind = f"wine of {abv_percent:g} % vol" if abv_percent else "unfermented must (for wine give --abv)"
    return f"{kind}, both expanding"


@app.command()
def sugar(
    value: Annotated[str | None, typer.Argument(metavar="[VALUE]", help="22Bx, 92Oe, 12Be or 1.092.")] = None,
    gravity: Annotated[str | None, typer.Option("--gravity", metavar="G", help="Gravity 20/20.")] = None,
    brix: Annotated[str | None, typer.Option("--brix", metavar="B", help="°Brix: 22 or 22Bx.")] = None,
    as_json: Json = False,
) -> None:
    """Turn gravity, °Brix, °Oechsle or Baumé into each other, grams per litre and potential alcohol."""
    with refusing():
        at = _one_gravity(value, gravity, brix)
        fermentable = fermentable_g_per_l(at)
        potential = potential_abv_percent(fermentable)
        low, high = potential_range_percent(fermentable)
        table, brix_of = sugar_g_per_l_from_gravity(at), brix_from_gravity(at)
        oechsle, baume = oechsle_from_gravity(at), baume_from_gravity(at)
    lines = [
        f"gravity 20/20      {at:.4f}",
        f"°Brix              {brix_of:.2f}",
        f"°Oechsle           {oechsle:.1f}",
        f"Baumé              {baume:.2f}",
        f"sugar by the table {table:.1f} g/L   (all that is dissolved, taken as sucrose)",
        f"fermentable        {fermentable:.0f} g/L   (in grape must: what is not sugar left out)",
        f"potential alcohol  {potential:.1f} % vol   ({low:.1f} to {high:.1f})",
    ]
    if at < 1.0:
        lines.append("below 1.000 there is alcohol and °Brix is only apparent: use `mustwatch calc alcohol`")
    tell(
        as_json,
        {
            "gravity": round(at, 5),
            "brix": round(brix_of, 3),
            "sugar_g_per_l": round(table, 2),
            "fermentable_g_per_l": round(fermentable, 1),
            "potential_abv_percent": round(potential, 2),
            "potential_abv_range_percent": [round(low, 2), round(high, 2)],
            "oechsle": round(oechsle, 2),
            "baume": round(baume, 2),
            "method": "sucrose table; potential alcohol of the fermentable sugar of a grape must, 2.66 °Oe - 30 g/L, "
            "at 16.83 g/L per % vol (range 16.5 to 18)",
            "source": "ICUMSA SPS-4; Dubrunfaut after Boulton et al.; conversion of EU and OIV",
        },
        lines,
    )


def _one_gravity(value: str | None, gravity: str | None, brix: str | None) -> float:
    """Return the gravity that exactly one of the three gives."""
    given = sum(text is not None for text in (value, gravity, brix))
    if given != 1:
        raise units.UnitError(f"{given} values given; expected one, e.g. --gravity 1.092, --brix 22 or 22Bx")
    if brix is not None:
        return gravity_from_brix(units.brix("--brix", brix))
    return units.gravity("--gravity", gravity) if gravity is not None else units.gravity("value", value or "")


@app.command()
def alcohol(
    from_gravity: Annotated[str, typer.Option("--from", metavar="G", help="Gravity before fermentation.")],
    to_gravity: Annotated[str, typer.Option("--to", metavar="G", help="Gravity now.")],
    as_json: Json = False,
) -> None:
    """Tell the alcohol made between two gravities, its honest range, and the sugar that is left."""
    with refusing():
        result = alcohol_between(units.gravity("--from", from_gravity), units.gravity("--to", to_gravity))
    low, high = result.abv_range_percent
    least, most = result.residual_range_g_per_l
    tell(
        as_json,
        {
            "abv_percent": round(result.abv_percent, 2),
            "abv_range_percent": [round(low, 2), round(high, 2)],
            "residual_sugar_g_per_l": round(result.residual_sugar_g_per_l, 1),
            "residual_sugar_range_g_per_l": [round(least, 1), round(most, 1)],
            "by_method": {method.value: round(abv, 2) for method, abv in result.by_method.items()},
            "method": Method.BALANCE.value,
            "source": SOURCES[Method.BALANCE],
            "cautions": [BOTTLE_CAUTION],
        },
        [
            f"alcohol so far     {result.abv_percent:.1f} % vol   ({low:.1f} to {high:.1f})",
            f"sugar left         {result.residual_sugar_g_per_l:.0f} g/L   ({least:.0f} to {most:.0f}; grape must)",
            *(
                f"  by {method.value:<14} {abv:.2f}   {SOURCES[method]}"
                for method, abv in result.by_method.items()
                if method is not Method.BALANCE
            ),
        ],
    )


for command in (sulfite, chaptalise, dilute, blend, topup):
    app.command()(command)
