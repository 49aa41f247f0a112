"""The balance: metered intake, uses that never reach the sewer, and what should have left."""

from sewer_audit.balance.expected import (
    Balance,
    expected_discharge,
    further_volumes,
    reading_effects,
)
from sewer_audit.balance.formulas.estimated import (
    EstimatedTerm,
    MeterShareTerm,
    amounts_in_periods,
    month_seconds,
)
from sewer_audit.balance.formulas.frames import consumptive_share, steam_losses
from sewer_audit.balance.formulas.ways import FORMULAS, USES, UseRecord, WayFormula
from sewer_audit.balance.formulas.wet import WetWeather, wet_weather
from sewer_audit.balance.instants import Periods, as_periods, as_seconds
from sewer_audit.balance.intake import IntakeVolumes, intake_volumes
from sewer_audit.balance.meters import meter_error, supply_meter_error
from sewer_audit.balance.network import Network, reconcile_network
from sewer_audit.balance.reconcile import FLOOR, Reconciliation, reconcile
from sewer_audit.balance.terms import DailyTerm, MeteredTerm, ShareTerm, StatedTerm, Term
from sewer_audit.balance.weights import sidak_critical

__all__ = [
    "FLOOR",
    "FORMULAS",
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
    "Term",
    "UseRecord",
    "WayFormula",
    "WetWeather",
    "amounts_in_periods",
    "as_periods",
    "as_seconds",
    "consumptive_share",
    "expected_discharge",
    "further_volumes",
    "intake_volumes",
    "meter_error",
    "month_seconds",
    "reading_effects",
    "reconcile",
    "reconcile_network",
    "sidak_critical",
    "steam_losses",
    "supply_meter_error",
    "wet_weather",
]
