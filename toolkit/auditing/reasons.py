"""Adapters to the catalogue of explanations and to the error signatures."""

from __future__ import annotations

import pandas as pd

from toolkit.auditing.evidence import Evidence
from toolkit.auditing.inputs import Inputs
from toolkit.auditing.pricing import Pricing
from toolkit.case import Case

__all__ = ["explanation_table", "signature_table"]


def explanation_table(
    case: Case, inputs: Inputs, evidence: Evidence, table: pd.DataFrame
) -> pd.DataFrame:
    return pd.DataFrame()


def signature_table(
    case: Case, inputs: Inputs, evidence: Evidence, pricing: Pricing | None
) -> pd.DataFrame:
    return pd.DataFrame()
