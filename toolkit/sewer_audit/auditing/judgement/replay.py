"""Every uncertain figure of an audit as one function of its draws."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from sewer_audit.auditing.invoices.pricing import Pricing
from sewer_audit.auditing.volumes.evidence import Evidence, billing_basis
from sewer_audit.case import Case
from sewer_audit.uncertainty import Draws

__all__ = ["Replay"]


@dataclass(frozen=True)
class Replay:
    """From columns of draws to volumes and charges, along the way the audit took.

    Units: evidence [m3].
    """

    case: Case
    evidence: Evidence
    pricing: Pricing | None
    joined: np.ndarray | None

    @classmethod
    def of(cls, case: Case, evidence: Evidence, pricing: Pricing | None) -> Replay:
        """The way an audit took.

        Units: evidence [m3].

        Notes
        -----
        The reconciled draws are a fixed linear combination of the two estimates' draws; its
        weights are read off them by least squares.

        References
        ----------
        Any text on linear least squares.
        """
        found = evidence.reconciliation
        if found is None or found.reconciled is None or not np.isfinite(found.reconciled).all():
            return cls(case, evidence, pricing, None)
        stacked = _stacked(evidence.effluent.volumes, evidence.balance.draws)  # type: ignore
        weights = np.linalg.lstsq(stacked, found.reconciled, rcond=None)[0]
        return cls(case, evidence, pricing, weights)

    def __call__(self, draws: Draws) -> dict[str, np.ndarray]:
        """Volumes and charges for given draws.

        Units: returns [m3, money].
        """
        evidence = self.evidence
        found: dict[str, np.ndarray | None] = {}
        if evidence.effluent is not None:
            found["effluent"] = evidence.effluent.model.draw(draws)
        if evidence.balance_of is not None:
            found["balance"] = evidence.balance_of(None, draws)
        if self.joined is not None:
            found["reconciled"] = _stacked(found["effluent"], found["balance"]) @ self.joined
        audited = self._audited(found)
        basis = self._basis(audited, draws)
        known = {
            name: each
            for name, each in (found | {"basis": basis, "audited": audited}).items()
            if each is not None and np.isfinite(each).all()
        }
        charges = self.charges(known)
        known.pop("audited", None)  # one of the others under its second name
        return known | charges

    def charges(self, volumes: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Amounts that go with draws of the volumes.

        Units: volumes [m3].
        """
        if self.pricing is None:
            return {}
        lines = self.pricing.lines
        billed = lines.loc[lines["line"] == "total", "invoiced"]
        invoiced = np.array([float(each) for each in billed])
        return {
            name: invoiced - self.pricing.amounts(volumes[of])
            for name, of in (("amount_in_question", "basis"), ("amount_by_discharge", "audited"))
            if of in volumes and np.isfinite(volumes[of]).all()
        }

    def _audited(self, found: dict) -> np.ndarray | None:
        if self.evidence.open:
            return None
        if "effluent" in found and "balance" in found:
            return found.get("reconciled")
        return found.get("effluent", found.get("balance"))

    def _basis(self, audited: np.ndarray | None, draws: Draws) -> np.ndarray | None:
        if self.evidence.basis is None:
            return None
        if self.case.data.case.basis == "discharge":
            return None if audited is None else audited * self.case.data.case.return_factor
        return billing_basis(self.case, replace(self.evidence, basis=None), draws)


def _stacked(effluent: np.ndarray, balance: np.ndarray) -> np.ndarray:
    return np.column_stack([effluent, balance])
