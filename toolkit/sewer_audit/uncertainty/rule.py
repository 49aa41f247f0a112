"""The decision rule, declared before the result is looked at, and the four findings."""

from __future__ import annotations

from dataclasses import dataclass

from sewer_audit.errors import AuditError

SUPPORTED = "billed volume supported"
TOO_HIGH = "billed volume too high"
TOO_LOW = "billed volume too low"
UNDECIDED = "cannot be decided from this evidence"
FINDINGS = (SUPPORTED, TOO_HIGH, TOO_LOW, UNDECIDED)
"""The four findings; no other is ever given."""

FAMILIES = {
    "joint": "taken from the joint draws, so that what all have in common counts once",
    "sidak": "by the Sidak rule",
    "bonferroni": "by the Bonferroni rule",
    "none": "",
}
"""How invoices share a risk, and how that is said."""


@dataclass(frozen=True)
class DecisionRule:
    """The rule a finding follows, declared before the result is looked at.

    Parameters
    ----------
    tolerance : float
        Share of the billed volume by which it may differ from the audited one [-].
    coverage : float
        Probability of the coverage interval [-].
    guard_factor : float
        Multiplies the reach of the interval beyond the mean: 1 demands the whole interval, 0 only
        the best estimate [-].
    sides : str
        "two": an interval with both ends; "one": all of 1 - coverage beyond the end that decides,
        for a question asked in one direction only [text].
    family : str
        How several invoices tested at once share the risk of a false finding: "joint" (from the
        draws themselves, so that what all invoices have in common counts once), "sidak",
        "bonferroni" or "none" [text].

    Raises
    ------
    AuditError
        If a figure or word is outside its range.

    References
    ----------
    JCGM 106:2012, clause 8 (decision rules), 8.3 (guard bands w = r U).
    """

    tolerance: float = 0.05
    coverage: float = 0.95
    guard_factor: float = 1.0
    sides: str = "two"
    family: str = "joint"

    def __post_init__(self) -> None:
        if not 0 <= self.tolerance < 1:
            raise AuditError(f"tolerance {self.tolerance!r}; a share of the bill from 0 to below 1")
        if not 0.5 < self.coverage < 1:
            raise AuditError(f"coverage {self.coverage!r}; between 0.5 and 1, for example 0.95")
        if not self.guard_factor >= 0:
            raise AuditError(f"guard factor {self.guard_factor!r}; zero or more, usually 1")
        if self.sides not in ("one", "two"):
            raise AuditError(f"sides {self.sides!r}; 'one' or 'two'")
        if self.family not in FAMILIES:
            raise AuditError(f"family {self.family!r}; known are {', '.join(FAMILIES)}")

    def statement(self, invoices: int = 1) -> str:
        """The rule in plain words, to print above the findings."""
        ends = "both ends" if self.sides == "two" else "only the deciding end"
        tolerance, level = f"{100 * self.tolerance:.3g} %", f"{100 * self.coverage:.4g} %"
        text = (
            f"A billed volume is called too high (too low) only if the whole {level} interval of "
            f"the audited volume, {ends} counted, lies below (above) it by more than {tolerance} "
            "of the billed volume; it is called supported only if the whole interval lies within "
            f"{tolerance} of it. Everything else cannot be decided."
        )
        if self.guard_factor != 1:
            text += f" The reach of each interval is taken {self.guard_factor:.3g} times."
        if invoices > 1 and self.family != "none":
            text += (
                f" The {invoices} volumes judged share one risk of "
                f"{100 * (1 - self.coverage):.3g} % of any false finding, {FAMILIES[self.family]}: "
                "each is held to a wider interval than its own; bills between two actual reads are "
                "judged as one, and the total is one question of its own."
            )
        return text
