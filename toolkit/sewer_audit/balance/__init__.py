"""The balance: metered intake, uses that never reach the sewer, and what should have left."""

from sewer_audit.balance.estimated import (
    EstimatedTerm,
    MeterShareTerm,
    amounts_in_periods,
    month_seconds,
)
from sewer_audit.balance.expected import (
    Balance,
    balance_causes,
    expected_discharge,
    further_volumes,
    reading_effects,
)
from sewer_audit.balance.frames import (
    CONSUMPTIVE,
    STEAM_LOSSES,
    consumptive_share,
    steam_losses,
)
from sewer_audit.balance.instants import Periods, as_periods, as_seconds
from sewer_audit.balance.intake import IntakeVolumes, day_variability, intake_volumes
from sewer_audit.balance.meters import (
    METER_TYPES,
    meter_error,
    meter_error_by_range,
    supply_meter_error,
)
from sewer_audit.balance.network import Network, Suspect, reconcile_network
from sewer_audit.balance.reconcile import Reconciliation, reconcile
from sewer_audit.balance.streams import StreamReconciliation, reconcile_streams, sidak_critical
from sewer_audit.balance.terms import (
    DailyTerm,
    MeteredTerm,
    ShareTerm,
    StatedTerm,
    Term,
    TowerTerm,
)
from sewer_audit.balance.uses import USES, UseRecord, use_error
from sewer_audit.balance.ways import FORMULAS, WayFormula
from sewer_audit.balance.wet import WetWeather, wet_weather

__all__ = [
    "CONSUMPTIVE",
    "FORMULAS",
    "METER_TYPES",
    "STEAM_LOSSES",
    "USES",
    "Balance",
    "DailyTerm",
    "EstimatedTerm",
    "IntakeVolumes",
    "MeterShareTerm",
    "MeteredTerm",
    "Network",
    "Periods",
    "Reconciliation",
    "ShareTerm",
    "StatedTerm",
    "StreamReconciliation",
    "Suspect",
    "Term",
    "TowerTerm",
    "UseRecord",
    "WayFormula",
    "WetWeather",
    "amounts_in_periods",
    "as_periods",
    "as_seconds",
    "balance_causes",
    "consumptive_share",
    "day_variability",
    "expected_discharge",
    "further_volumes",
    "intake_volumes",
    "meter_error",
    "meter_error_by_range",
    "month_seconds",
    "reading_effects",
    "reconcile",
    "reconcile_network",
    "reconcile_streams",
    "sidak_critical",
    "steam_losses",
    "supply_meter_error",
    "use_error",
    "wet_weather",
]
