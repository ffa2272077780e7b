"""``mustwatch calc sulfite``: the dose of metabisulfite for a wine, from figures typed or from a lot's book."""

from dataclasses import dataclass
from typing import Annotated

import typer

from mustwatch.cli.calc_figures import Json, refusing, tell
from mustwatch.cli.output import ExitCode, fail
from mustwatch.must import sulfite as so2
from mustwatch.recording import units


@dataclass(frozen=True, slots=True)
class Known:
    """What a lot's book says of it: litres, pH, SO2 in mg/L; ``says``: that in words."""

    litres: float | None = None
    ph: float | None = None
    free: float = 0.0
    total: float | None = None
    limit: float = so2.TOTAL_LIMIT_MG_PER_L
    says: tuple[str, ...] = ()


def known_of(name: str) -> Known:
    """Return what the book says of a lot, or end the command where there is none of that name."""
    # only now: the arithmetic itself needs no configuration and no store
    from mustwatch.cellar.analysis import Quantity, newest
    from mustwatch.cellar.malolactic import course
    from mustwatch.cellar.naming import unknown_lot
    from mustwatch.cellar.so2 import left
    from mustwatch.cli.opening import now_ms, opened_store, settings_or_fail
    from mustwatch.config.plan import plan_of

    settings = settings_or_fail()
    with opened_store(settings) as store:
        lots = store.book.history().lots
    lot, plan = lots.get(name), plan_of(settings)
    if lot is None:
        fail(unknown_lot(name, lots), ExitCode.WRONG_INPUT)
    vessel, profile = plan.vessels.get(lot.vessel or ""), plan.profile_for(lot)
    now = left(lot, None if vessel is None else vessel.litres, None, now_ms())
    ph, measured = newest(lot.entries, Quantity.PH), newest(lot.entries, Quantity.FREE_SO2)
    day, free = plan.rules.units.measures.day, 0.0 if now is None else now.free[1]
    since = "never measured" if measured is None else f"measured {day(measured.at_ms)}"
    says = [] if ph is None else [f"pH {ph.value:g}, measured {day(ph.at_ms)}"]
    says.append(f"free SO2 at most {free:.0f} mg/L ({since}): measure it before a dose that matters")
    malolactic = course(lot.entries, now_ms())
    if malolactic is not None and malolactic.runs:
        says.append("Caution: its malolactic ferment runs: no sulfite yet")
    return Known(
        lot.litres,
        ph.value if ph is not None and isinstance(ph.value, float) else None,
        free,
        None if now is None else max(now.total, free),
        profile.total_so2_limit_mg_per_l,
        tuple(says),
    )


def _needed(option: str, value: float | None, lot: str | None) -> float:
    if value is None:
        where = "" if lot is None else f" and the book of {lot!r} does not say it"
        raise units.UnitError(
            f"{option}: missing{where}; expected e.g. {option} {'23' if 'l' in option else '3.4'}"
        )
    return value


def _typed(option: str, text: str) -> float:
    return units.quantity(option, text, "e.g. 30", units.CONCENTRATION)


def sulfite(
    target_molecular: Annotated[
        str,
        typer.Option(
            "--target-molecular", metavar="M", help="Molecular SO2, mg/L: 0.5 for red, 0.8 for white."
        ),
    ],
    lot: Annotated[
        str | None,
        typer.Argument(metavar="[LOT]", help="A lot, whose book says litres, pH, SO2 and the limit."),
    ] = None,
    litres: Annotated[
        str | None, typer.Option("--litres", metavar="L", help="Volume: 23, 23L, 6gal (US).")
    ] = None,
    ph: Annotated[str | None, typer.Option("--ph", metavar="P", help="pH of the wine, e.g. 3.4.")] = None,
    free_now: Annotated[
        str | None,
        typer.Option("--free-now", metavar="F", help="Free SO2 measured, mg/L (else 0, or the lot's)."),
    ] = None,
    total_now: Annotated[
        str | None, typer.Option("--total-now", metavar="F", help="Total SO2 measured, mg/L.")
    ] = None,
    limit: Annotated[
        str | None,
        typer.Option(
            "--limit",
            metavar="F",
            help="Total SO2 never to pass, mg/L (else the lot's profile has it, or 200).",
        ),
    ] = None,
    salt: Annotated[so2.Salt, typer.Option("--salt", help="Which metabisulfite.")] = so2.Salt.POTASSIUM,
    stock: Annotated[str, typer.Option("--stock", metavar="P", help="A stock solution, g in 100 mL.")] = "10",
    pka: Annotated[str, typer.Option("--pka", metavar="K", help="pKa of SO2 in the wine.")] = f"{so2.PKA:g}",
    as_json: Json = False,
) -> None:
    """Tell the free SO2 a molecular target asks for at a pH, and the metabisulfite that brings it."""
    known = Known() if lot is None else known_of(lot)
    with refusing():
        volume = known.litres if litres is None else units.volume_litres("--litres", litres)
        acid = known.ph if ph is None else units.quantity("--ph", ph, "e.g. 3.4", units.BARE)
        free = known.free if free_now is None else _typed("--free-now", free_now)
        # What the book tells of the total is the least of it, and free SO2 is part of it.
        total = None if known.total is None else max(known.total, free)
        asked = so2.Asked(
            litres=_needed("--litres", volume, lot),
            ph=_needed("--ph", acid, lot),
            molecular_mg_per_l=units.quantity(
                "--target-molecular", target_molecular, "e.g. 0.8", units.CONCENTRATION
            ),
            free_now_mg_per_l=free,
            total_now_mg_per_l=total if total_now is None else _typed("--total-now", total_now),
            limit_mg_per_l=known.limit if limit is None else _typed("--limit", limit),
            salt=salt,
            pka=units.quantity("--pka", pka, "e.g. 1.81", units.BARE),
        )
        _tell_dose(asked, units.quantity("--stock", stock, "e.g. 10", units.PERCENT), as_json, known.says)


def _tell_dose(asked: so2.Asked, stock_percent: float, as_json: bool, says: tuple[str, ...]) -> None:
    dose = so2.dose(asked)
    millilitres = so2.stock_ml(dose.salt_g, stock_percent)
    upper_pka = max(so2.PKA_IN_WINE, asked.pka)
    least = so2.free_so2_mg_per_l(asked.molecular_mg_per_l, asked.ph, pka=upper_pka)
    total_known = asked.total_now_mg_per_l is not None and not says
    share = 100 * so2.SO2_SHARE[asked.salt]
    tell(
        as_json,
        {
            "free_target_mg_per_l": round(dose.free_target_mg_per_l, 2),
            "free_target_range_mg_per_l": [round(least, 2), round(dose.free_target_mg_per_l, 2)],
            "addition_mg_per_l": round(dose.addition_mg_per_l, 2),
            "metabisulfite_g": round(dose.salt_g, 4),
            "salt": asked.salt.value,
            "stock_ml": round(millilitres, 2),
            "total_after_mg_per_l": round(dose.total_after_mg_per_l, 1),
            "total_is_known": total_known,
            "from_the_book": list(says),
            "method": f"free = molecular (1 + 10^(pH - {asked.pka:g})); the salt is {share:.1f} % SO2",
            "source": "dissociation with the pKa of the trade's tables (UC Cooperative Extension 1982); atomic weights",
            "cautions": [so2.BINDING, so2.CAUTION],
        },
        [
            *says,
            f"free SO2 to have   {dose.free_target_mg_per_l:.0f} mg/L   (for {asked.molecular_mg_per_l:g} mg/L "
            f"molecular at pH {asked.ph:g}; {least:.0f} if the wine's pKa is {upper_pka:g})",
            f"add                {dose.salt_g:.2f} g {asked.salt.value} metabisulfite   ({dose.addition_mg_per_l:.0f} "
            f"mg/L SO2; or {millilitres:.1f} mL of a {stock_percent:g} % solution)",
            f"total SO2 after    {dose.total_after_mg_per_l:.0f} mg/L"
            + ("" if total_known else " or more   (measure total SO2 and give --total-now)"),
        ],
    )
