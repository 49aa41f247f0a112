"""Uses that never reach the sewer: for each its formulas, default uncertainty, evidence and traps.

The default limits are judgement, marked as such and to be confirmed for the site. What evidence a
city accepts stands in its own code, which decides.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from types import MappingProxyType

from sewer_audit.balance.formulas import frames, process, steam, surfaces, towers

__all__ = [
    "USES",
    "UseRecord",
]

JUDGEMENT = "judgement, to be confirmed for the site"


@dataclass(frozen=True)
class UseRecord:
    """What is known about one kind of use.

    Parameters
    ----------
    name : str
        What it is called [text].
    direction : str
        "use" where it never reaches the sewer, "inflow" where it joins it unmetered, "intake"
        where it is taken in beside the supply, "sewered" where it only tests plausibility [text].
    formulas : tuple of callable
        Functions of this package that compute it [-].
    limit_95 : float
        Relative 95 % limit of the usual estimate [-].
    limit_source : str
        Where the limit comes from [text].
    better : str
        The measurement that beats the estimate [text].
    evidence : str
        What a city usually asks for [text].
    traps : str
        What makes the figure wrong [text].
    sources : tuple of str
        Ids of the documents behind the formulas and the evidence, in ``sources.csv`` [text].
    """

    name: str
    direction: str
    formulas: tuple[Callable[..., object], ...]
    limit_95: float
    limit_source: str
    better: str
    evidence: str
    traps: str
    sources: tuple[str, ...]


_RECORDS = (
    UseRecord(
        "deduct meter",
        "use",
        (process.by_difference,),
        0.03,
        JUDGEMENT,
        "a test certificate of the deduct meter",
        "a meter the city owns or has approved, tested at the interval the code sets, read on the "
        "dates of the supply meter, no estimated reads",
        "equipment behind the meter that also drains needs a drain meter; a second deduct meter in "
        "series counts the same water twice",
        (
            "seattle-submeters-memory",
            "pearland-credits-memory",
            "auburn-13-20-184-memory",
            "houston-47-129-memory",
        ),
    ),
    UseRecord(
        "cooling tower",
        "use",
        (
            towers.tower_evaporation,
            towers.evaporation_from_heat,
            towers.tower_drift,
            towers.tower_blowdown,
            towers.tower_makeup,
            towers.cycles_of_concentration,
            towers.evaporation_share_of_makeup,
        ),
        0.15,
        f"{JUDGEMENT}; measured circulation and range 13 %, load from nameplate 30 % and more",
        "makeup meter less blowdown meter: 2.5 % of the credit at 4 cycles",
        "meters on makeup and blowdown; some codes accept a formula above a threshold of use",
        "a makeup leak or overflow, filter backwash and softener regeneration go to the sewer; a "
        "blowdown valve stuck open lowers the cycles",
        (
            "water-planning-guide",
            "ufc-3-240-13fn",
            "fayetteville-credit-memory",
        ),
    ),
    UseRecord(
        "boiler and steam",
        "use",
        (steam.boiler_blowdown, steam.boiler_feedwater, steam.boiler_makeup, steam.steam_lost),
        0.15,
        f"{JUDGEMENT}; makeup meter 2 %, blowdown by conductivity 10 to 20 %",
        "makeup meter and weighed or metered condensate return",
        "makeup meter, conductivity log of boiler and feedwater, statement where condensate goes",
        "condensate let to a drain is sewered, and so is its tempering water; traps and receivers "
        "lose 1 to 3 % of the steam made, atomizing 1 to 7 %, sootblowing 1 to 2 %",
        ("ufc-3-240-13fn", "water-planning-guide", "mil-hdbk-1003-6"),
    ),
    UseRecord(
        "humidification",
        "use",
        (steam.humidification,),
        0.15,
        JUDGEMENT,
        "meter on the humidifier's feed less its drain",
        "feed meter, or air flow and set points with the weather record",
        "drain and flush go to the sewer; mild months need none",
        ("ashrae-humidifiers",),
    ),
    UseRecord(
        "product water",
        "use",
        (process.product_water, process.batch_use),
        0.03,
        f"{JUDGEMENT}; filler or weigh-scale records 1 to 3 %",
        "filler or weighbridge records",
        "production records signed by the plant, recipe or water share of the product",
        "water in raw materials comes in unmetered; rinse and start-up losses go to the sewer",
        ("brewers-page", "doe-femp"),
    ),
    UseRecord(
        "laundry evaporation",
        "use",
        (process.laundry_evaporation,),
        0.25,
        JUDGEMENT,
        "weighing loads wet and dry",
        "mass washed per period and weighed loads",
        "the share differs between fabrics and extractors",
        ("laundry-today", "laundry-news-memory"),
    ),
    UseRecord(
        "irrigation",
        "use",
        (surfaces.irrigation_volume,),
        0.40,
        JUDGEMENT,
        "a meter of its own; many codes accept nothing else",
        "irrigation meter, or plan of areas with the ordinance's worksheet",
        "an estimate of need is not use: leaks and overwatering do not follow it",
        ("landscape-ordinance", "gridley-b-memory"),
    ),
    UseRecord(
        "tank evaporation",
        "use",
        (surfaces.pool_evaporation, surfaces.pan_evaporation),
        0.25,
        JUDGEMENT,
        "level record of the tank with inlet closed",
        "surface, temperatures, hours, and a level test",
        "splash and backwash go to the sewer; outdoors rain refills",
        ("ashrae-trans-104",),
    ),
    UseRecord(
        "trucked waste",
        "use",
        (process.trucked_volume,),
        0.03,
        JUDGEMENT,
        "weighbridge tickets",
        "manifests with date, volume and place of disposal",
        "part loads counted as full; solids are not water",
        ("common practice",),
    ),
    UseRecord(
        "rain and roof inflow",
        "inflow",
        (surfaces.rain_inflow, surfaces.dry_month_infiltration, surfaces.wet_hour_inflow),
        0.40,
        JUDGEMENT,
        "effluent against intake on dry and on wet days",
        "drainage plan, dye test, rain record of the nearest station",
        "it raises the effluent but not the intake; groundwater continues after the rain",
        (
            "municipal-ii-2004",
            "epa-infiltration-1985-memory",
            "cfr-40-35-2005-memory",
        ),
    ),
    UseRecord(
        "ground water",
        "inflow",
        (surfaces.dry_month_infiltration, surfaces.extraneous_inflow),
        0.40,
        JUDGEMENT,
        "the record of hours with all water shut off, in a dry and in a wet season",
        "night minimum with production stopped, level of the ground water, camera of the pipe",
        "use that follows a season looks the same; a leaking valve runs at night as well; up to "
        "120 gal per head and day in dry weather, large industry left out, is not called excessive",
        (
            "municipal-ii-2004",
            "epa-infiltration-1985-memory",
            "cfr-40-35-2005-memory",
        ),
    ),
    UseRecord(
        "neighbour's return",
        "inflow",
        (),
        0.03,
        JUDGEMENT,
        "a meter on the connecting pipe, read on the dates of the supply meter",
        "the neighbour's own supply reads, a plan of the pipes, a dye test",
        "what the neighbour returns is charged on the neighbour's account as well",
        ("common practice",),
    ),
    UseRecord(
        "private well",
        "intake",
        (),
        0.02,
        JUDGEMENT,
        "a tested meter on the well's pipe",
        "the well's permit and meter reads; many codes bill well water that reaches the sewer",
        "it raises what reached the sewer, and no supply meter of the city sees it",
        ("adjusted-supply-memory",),
    ),
    UseRecord(
        "stated rate",
        "use",
        (),
        0.50,
        JUDGEMENT,
        "a meter, or a count over four weeks",
        "how the rate was found, by whom, and over which days",
        "a habit stated from memory; it seldom convinces a city",
        ("common practice",),
    ),
    UseRecord(
        "stated share",
        "use",
        (),
        0.40,
        JUDGEMENT,
        "a meter on the use itself",
        "how the share was found; where metering is not practical some codes set a percentage",
        "the share changes with season and production",
        ("henderson-94-35-memory", "corry-memory", "miamisburg-memory"),
    ),
    UseRecord(
        "consumptive coefficient",
        "use",
        (frames.consumptive_share,),
        0.95,
        f"{JUDGEMENT}; published range of a regional table, no evidence for one site",
        "meters on the uses themselves",
        "a city asks for figures of the site; a regional coefficient only shows what is plausible",
        "sites of one sector consume from nothing to nearly all of their water",
        ("great-lakes",),
    ),
    UseRecord(
        "people",
        "sewered",
        (process.people_use,),
        0.25,
        JUDGEMENT,
        "sub-meter of the sanitary supply",
        "headcount and shifts",
        "it cannot explain a gap larger than itself",
        ("doe-femp",),
    ),
)

USES = MappingProxyType({record.name: record for record in _RECORDS})
"""Every kind of use by its name."""
