"""Simulated sites with one planted cause each: how often the ranking finds it.

The site is simulated hour by hour with its own physics (a power-law device, a drawn-down head,
storms, a working week); the explanations know none of it. Run as a module for the whole table:

    python -m tests.simulations.explanation_recovery 30 91000

Seeds from 7000 on served to develop the explanations, seeds from 91000 on (and from 95000 on for
the joined volumes) only to report; nothing was changed because of what they showed.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from sewer_audit.balance import reconcile
from sewer_audit.explanations import Observations, Ranking, explain
from sewer_audit.explanations.catalogue import NOTHING

HOURS_PER_INVOICE = 730
INVOICES = 24
KGAL = 3.785411784
FACTOR, POWER = 0.02, 1.55  # discharge = FACTOR * head ** POWER [m3/s]
SHARE = 0.9  # billed share of intake less deducts
STATED = {
    "coefficient": 0.02,
    "zero": 0.002,
    "own": 0.006,
    "meter": 0.01,
    "deduct": 0.015,
    "product": 0.05,
}


@dataclass
class Site:
    """Hourly truth of one site, and what the instruments and the utility make of it."""

    random: np.random.Generator
    days: np.ndarray
    year: np.ndarray
    intake: np.ndarray  # through the supply meter [m3/h]
    deduct: np.ndarray  # metered irrigation [m3/h]
    lost: np.ndarray  # never reaches the sewer, not metered [m3/h]
    extra: np.ndarray  # reaches the sewer without passing the meter [m3/h]
    rain: np.ndarray  # [m per h]
    registered: float = 1.0  # share of the intake the supply meter counts
    width: float = 1.0  # true over assumed device
    zero: float = 0.0  # the sensor shows too much by this [m]
    drowned: float = 0.0  # rise of the recorded head where it is drowned [-]
    drowned_from: float = 0.6  # share of the largest true head from which it is [-]
    late: int = 0  # hours by which the record's periods end late

    @property
    def discharge(self) -> np.ndarray:
        return np.maximum(self.intake - self.deduct - self.lost + self.extra, 0.0)


def new_site(seed: int) -> Site:
    """A plant of about 100 m3/d with a working week, a season and irrigation in summer."""
    random = np.random.default_rng(seed)
    hours = np.arange(HOURS_PER_INVOICE * (INVOICES + 2))  # a month before and after as well
    year = (hours / 8766.0 + random.uniform()) % 1.0
    season = np.cos(2 * np.pi * (year - random.uniform()))
    week = np.where((hours // 24) % 7 < 5, 1.15, 0.6)
    day = 1 + 0.5 * np.sin(2 * np.pi * (hours % 24 - 8) / 24)
    daily = np.repeat(np.exp(random.normal(0, 0.12, len(hours) // 24 + 1)), 24)[: len(hours)]
    process = 4.0 * (1 + 0.15 * season + _orders(random, len(hours))) * week * day * daily
    summer = np.maximum(np.cos(2 * np.pi * (year - 0.55)), 0.0)
    deduct = random.uniform(0.5, 1.2) * summer
    storms = random.uniform(size=len(hours)) < 0.012
    rain = np.where(storms, random.exponential(0.008, len(hours)), 0.0)
    middle = year.reshape(INVOICES + 2, -1)[1:-1, HOURS_PER_INVOICE // 2]
    nothing = np.zeros(len(hours))
    lost = 0.1 * process  # in the product; the schedule bills 90 %
    days = np.full(INVOICES, HOURS_PER_INVOICE / 24.0)
    return Site(random, days, middle, process + deduct, deduct, lost, nothing, rain)


def _orders(random: np.random.Generator, hours: int) -> np.ndarray:
    """Slow ups and downs of production: 12 %, with a memory of a month."""
    keep = np.exp(-1 / 30.0)
    level, kicks = [random.normal()], random.normal(size=hours // 24 + 1)
    for kick in kicks:
        level.append(keep * level[-1] + np.sqrt(1 - keep**2) * kick)
    return 0.12 * np.repeat(np.clip(level, -2.5, 2.5), 24)[:hours]


def monthly(hourly: np.ndarray, late: int = 0) -> np.ndarray:
    """Sums over the invoices, with all bounds moved by some hours."""
    first = HOURS_PER_INVOICE + late
    return hourly[first : first + HOURS_PER_INVOICE * INVOICES].reshape(INVOICES, -1).sum(axis=1)


OFFSETS = np.linspace(-0.08, 0.08, 17)


def effluent_record(site: Site) -> tuple[np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Volumes the record leads to, the same at other zeros, and how far high heads take part."""
    true_head = (site.discharge / 3600 / FACTOR / site.width) ** (1 / POWER)
    limit = site.drowned_from * np.quantile(true_head, 0.999)
    backwater = 1 + site.drowned * np.clip(true_head / limit - 1, 0, None)
    small = site.random.normal(0, STATED["zero"])
    head = np.maximum(true_head * backwater + site.zero + small, 0.0)
    flow = FACTOR * head**POWER * 3600
    error = 1 + site.random.normal(0, STATED["coefficient"])
    own = 1 + site.random.normal(0, STATED["own"], INVOICES)
    volume = monthly(flow, site.late) * error * own
    scale = volume / monthly(flow, site.late)
    shifted = [FACTOR * np.maximum(head - offset, 0.0) ** POWER * 3600 for offset in OFFSETS]
    curve = np.array([monthly(each, site.late) * scale for each in shifted])
    largest = np.quantile(head, 0.999)  # as recorded: the auditor does not know the true ones
    patterns = {}
    for share in (0.45, 0.6, 0.75):
        start = FACTOR * (share * largest) ** POWER * 3600
        above = monthly(np.maximum(flow - start, 0.0), site.late) * scale / volume
        patterns[f"from {share}"] = above
    return volume, curve, patterns


SEEN = np.hypot(0.001, 0.001)
"""What hand readings within 1 mm at a gauge within 1 mm leave to a lasting zero error [m]."""


def observe(
    site: Site, bill: Callable[[np.ndarray, Site], np.ndarray] | None, visited: bool = False
) -> Observations:
    """What the auditor gets: reads, record, stated uncertainties, and the invoices.

    Where the site was visited to the end, hand readings have corrected the zero; what a planted
    zero error then is, is a gauge set wrong.
    """
    random = site.random
    meter, sub = random.normal(0, STATED["meter"]), random.normal(0, STATED["deduct"])
    intake = monthly(site.intake) * site.registered / (1 + meter)
    deduct = monthly(site.deduct) / (1 + sub)
    product = 0.1 * (intake - deduct) * (1 + random.normal(0, STATED["product"]))
    effluent, curve, drowned = effluent_record(site)
    middle = len(OFFSETS) // 2
    sensitivity = (curve[middle - 1] - curve[middle + 1]) / (2 * OFFSETS[-1] / middle) / effluent
    balance = intake - deduct - product
    columns = [effluent * STATED["coefficient"], effluent * sensitivity * STATED["zero"]]
    effluent_cov = sum(np.outer(c, c) for c in columns)
    effluent_cov = effluent_cov + np.diag((STATED["own"] * effluent) ** 2)
    columns = [intake * STATED["meter"], deduct * STATED["deduct"], product * STATED["product"]]
    balance_cov = sum(np.outer(c, c) for c in columns) + np.diag((0.002 * intake) ** 2)
    basis = SHARE * (intake - deduct)
    billed = basis if bill is None else bill(basis, site)
    billed = np.floor(billed / KGAL + random.uniform(size=INVOICES)) * KGAL
    return Observations(
        billed_m3=billed,
        billed_step_m3=KGAL,
        days=site.days,
        basis_m3=basis,
        basis_cov=np.diag((0.001 * basis) ** 2),
        return_factor=SHARE,
        intake_m3=intake,
        deducts_m3=deduct,
        effluent_mean=effluent,
        effluent_cov=effluent_cov,
        balance_mean=balance,
        balance_cov=balance_cov,
        head_sensitivity=sensitivity,
        head_exponent=POWER,
        zero_offsets_m=OFFSETS,
        zero_volumes_m3=curve,
        zero_seen_m=np.full(INVOICES, SEEN) if visited else None,
        drowned_patterns=drowned,
        rain_m=monthly(site.rain),
        year_fraction=site.year,
    )


def _mean_flow(site: Site) -> float:
    return float(site.intake.mean())


def _onset(site: Site) -> int:
    """First invoice affected: the first in half of the cases, any later one in the others."""
    late = int(site.random.integers(1, INVOICES - 6))
    return 0 if site.random.uniform() < 0.5 else late


def _factor_bill(factors: list[float]) -> Callable[[np.ndarray, Site], np.ndarray]:
    def bill(basis: np.ndarray, site: Site) -> np.ndarray:
        onset, factor = _onset(site), site.random.choice(factors)
        return np.where(np.arange(INVOICES) >= onset, factor, 1.0) * basis

    return bill


def _no_credit(basis: np.ndarray, site: Site) -> np.ndarray:
    active = np.arange(INVOICES) >= _onset(site)
    return basis + np.where(active, SHARE * monthly(site.deduct), 0.0)


def _estimates(basis: np.ndarray, site: Site) -> np.ndarray:
    start, length = int(site.random.integers(1, 16)), int(site.random.integers(3, 7))
    billed = basis.copy()
    run = slice(start, start + length)
    billed[run] = billed[start - 1] * site.random.uniform(0.75, 1.25)
    billed[start + length] += basis[run].sum() - billed[run].sum()
    return billed


def _period_twice(basis: np.ndarray, site: Site) -> np.ndarray:
    billed, at = basis.copy(), int(site.random.integers(1, INVOICES))
    billed[at] += basis[at - 1] if site.random.uniform() < 0.5 else basis[at]
    return billed


def _wrong_read(basis: np.ndarray, site: Site) -> np.ndarray:
    billed, at = basis.copy(), int(site.random.integers(0, INVOICES - 1))
    error = site.random.choice([-1, 1]) * site.random.integers(1, 10) * 100 * KGAL
    billed[at] += error
    billed[at + 1] -= error
    return billed


def _other_dates(basis: np.ndarray, site: Site) -> np.ndarray:
    """Reads some days later than stated, taken from the hourly truth."""
    hours = int(site.random.choice([-1, 1]) * site.random.uniform(5, 14) * 24)
    net = SHARE * (site.intake - site.deduct)
    return basis * monthly(net, hours) / monthly(net)


def _neighbour(basis: np.ndarray, site: Site) -> np.ndarray:
    level = basis.mean() * np.exp(site.random.normal(0, 0.5))
    season = 1 + 0.1 * np.cos(2 * np.pi * (site.year - site.random.uniform()))
    return level * season * np.exp(site.random.normal(0, 0.08, INVOICES))


def _low_register(basis: np.ndarray, site: Site) -> np.ndarray:
    return basis - site.random.uniform(0.05, 0.25) * basis.mean()


def _on_deduct(basis: np.ndarray, site: Site) -> np.ndarray:
    return SHARE * monthly(site.deduct)


def _zero(site: Site) -> Site:
    return replace(site, zero=site.random.choice([-1, 1]) * site.random.uniform(0.008, 0.025))


def _drowned(site: Site) -> Site:
    rise, begins = site.random.uniform(0.3, 0.9), site.random.uniform(0.5, 0.7)
    return replace(site, drowned=rise, drowned_from=begins)


def _width(site: Site) -> Site:
    return replace(site, width=site.random.choice([0.5, 0.75, 4 / 3, 1.5, 2.0]))


def _supply(site: Site) -> Site:
    return replace(site, registered=1 - site.random.uniform(0.1, 0.35))


def _source(site: Site) -> Site:
    size = site.random.uniform(0.1, 0.35) * _mean_flow(site)
    return replace(site, extra=np.full(len(site.intake), size))


def _leak(site: Site) -> Site:
    size, onset = site.random.uniform(0.1, 0.3) * _mean_flow(site), _onset(site)
    start = (onset + 1 if onset else 0) * HOURS_PER_INVOICE
    leak = np.where(np.arange(len(site.intake)) >= start, size, 0.0)
    return replace(site, intake=site.intake + leak, lost=site.lost + leak)


def _season(site: Site) -> Site:
    middle = site.year[0]
    hours = np.arange(len(site.intake)) - 1.5 * HOURS_PER_INVOICE
    year = middle + hours / 8766.0
    size = site.random.uniform(0.2, 0.5) * _mean_flow(site)
    use = size * np.maximum(np.cos(2 * np.pi * (year - site.random.uniform(0.5, 0.6))), 0.0)
    return replace(site, intake=site.intake + use, lost=site.lost + use)


def _rain(site: Site) -> Site:
    """Roofs and a slow part that drains for days after a storm."""
    slow = np.convolve(site.rain, np.exp(-np.arange(72) / 24.0) / 24.0)[: len(site.rain)]
    area = site.random.uniform(0.08, 0.3) * _mean_flow(site) / site.rain.mean()
    return replace(site, extra=area * (0.6 * site.rain + 0.4 * slow))


def _clock(site: Site) -> Site:
    hours = int(site.random.choice([-1, 1]) * site.random.uniform(6, 14) * 24)
    return replace(site, late=hours)


# cause as the catalogue calls it: (what happens on the site, what the utility makes of it)
CAUSES: dict[str, tuple[Callable | None, Callable | None]] = {
    "unit mistaken": (
        None,
        _factor_bill([1.336805556, 0.748051948, 7.480519481, 1.200949926, 3.785411784]),
    ),
    "register multiplier wrong": (None, _factor_bill([0.1, 10.0, 100.0])),
    "billed share not applied as scheduled": (None, _factor_bill([1 / SHARE])),
    "deduct credit missing or reversed": (None, _no_credit),
    "billed on the deduct meter": (None, _on_deduct),
    "estimated reads": (None, _estimates),
    "a period billed twice": (None, _period_twice),
    "one read wrong and set right by the next": (None, _wrong_read),
    "reads on other dates than stated": (None, _other_dates),
    "low-flow register of a compound meter not billed": (None, _low_register),
    "billed on another account's reads": (None, _neighbour),
    "zero error of the head sensor": (_zero, None),
    "submergence of the device": (_drowned, None),
    "wrong device size or notch angle": (_width, None),
    "supply meter off": (_supply, None),
    "unmetered source or steady ground water": (_source, None),
    "leak after the meter, not to the sewer": (_leak, None),
    "seasonal use not accounted for": (_season, None),
    "rain or ground water in the monitored line": (_rain, None),
    "clock of the record or periods shifted": (_clock, None),
}


def simulate(cause: str, seed: int, visited: bool = False) -> Observations:
    """One site with one planted cause; "nothing wrong" plants none."""
    site = new_site(seed)
    on_site, on_bill = CAUSES.get(cause, (None, None))
    return observe(on_site(site) if on_site else site, on_bill, visited)


def place_of(ranking: Ranking, cause: str) -> int:
    """Place of the planted cause among the rows, 1 for the first."""
    wanted = () if cause == NOTHING else (cause,)
    for place, row in enumerate(ranking.rows, start=1):
        if row.components == wanted:
            return place
    return len(ranking.rows) + 1


DEVELOPED, REPORTED = 7000, 91000
"""First seeds of the cases the explanations were developed on, and of those only reported."""


@dataclass
class Recovery:
    """What came out for one cause."""

    cause: str
    places: list[int]
    posteriors: list[float]
    named: list[bool]
    named_wrongly: list[bool]
    firsts: list[str]

    def share(self, within: int) -> float:
        return float(np.mean(np.array(self.places) <= within))


def recover(
    cause: str,
    cases: int,
    first_seed: int = DEVELOPED,
    pairs: bool = True,
    visited: bool = False,
) -> Recovery:
    """Simulate and rank some cases of one cause."""
    result = Recovery(cause, [], [], [], [], [])
    for case in range(cases):
        ranking = explain(simulate(cause, first_seed + case, visited), pairs=pairs)
        result.places.append(place_of(ranking, cause))
        result.posteriors.append(ranking.rows[0].posterior)
        right = ranking.named == cause
        result.named.append(right)
        result.named_wrongly.append(ranking.named is not None and not right)
        result.firsts.append(ranking.rows[0].name)
    return result


def calibration(results: list[Recovery]) -> list[tuple[str, int, float, float]]:
    """Stated posterior of the first row against how often it was right."""
    stated = np.concatenate([result.posteriors for result in results])
    right = np.concatenate([np.array(result.places) == 1 for result in results])
    table = []
    edges = [0.0, 0.5, 0.7, 0.9, 0.99, 1.001]
    for low, high in pairwise(edges):
        inside = (stated >= low) & (stated < high)
        if inside.any():
            label = f"{low:.2f} to {min(high, 1):.2f}"
            table.append((label, int(inside.sum()), stated[inside].mean(), right[inside].mean()))
    return table


def reconciliation_errors(cases: int, first_seed: int = 5000) -> np.ndarray:
    """Root mean square error of effluent, balance and joined total over clean cases [-]."""
    errors = []
    for seed in range(first_seed, first_seed + cases):
        site = new_site(seed)
        observed = observe(site, None)
        random = np.random.default_rng(seed)
        draws = [
            random.multivariate_normal(mean, cov, 2000, method="eigh")
            for mean, cov in (
                (observed.effluent_mean, observed.effluent_cov),
                (observed.balance_mean, observed.balance_cov),
            )
        ]
        joined = reconcile(*draws)
        if joined.agree:
            truth = monthly(site.discharge).sum()
            found = (observed.effluent_mean, observed.balance_mean, joined.mean)
            errors.append([each.sum() / truth - 1 for each in found])
    return np.sqrt(np.mean(np.square(errors), axis=0))


def main(cases: int, first_seed: int = DEVELOPED) -> None:
    """Print the recovery table, the calibration and the benefit of joining."""
    results = []
    print(f"{'cause':55s} first  in 3  named  wrongly named")
    for cause in (NOTHING, *CAUSES):
        result = recover(cause, cases * (3 if cause == NOTHING else 1), first_seed)
        results.append(result)
        print(
            f"{cause:55s} {result.share(1):5.2f} {result.share(3):5.2f} "
            f"{np.mean(result.named):6.2f} {np.mean(result.named_wrongly):6.2f}",
            flush=True,
        )
        for first in sorted(set(result.firsts) - {cause}):
            print(f"      first instead: {first} ({result.firsts.count(first)})")
    print("stated posterior of the first row, cases, mean stated, share right")
    for row in calibration(results):
        print("  {:14s} {:5d} {:6.3f} {:6.3f}".format(*row))
    planted = [result for result in results if result.cause != NOTHING]
    for within in (1, 3):
        share = np.mean([result.share(within) for result in planted])
        print(f"planted causes, true one among the first {within}: {share:.3f}")
    print(
        "relative error of effluent, balance, joined:",
        reconciliation_errors(cases * 3, first_seed + 4000),
    )


if __name__ == "__main__":
    given = [int(each) for each in sys.argv[1:]]
    main(*(given or [30]))
