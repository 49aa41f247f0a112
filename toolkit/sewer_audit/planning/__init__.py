"""Before a measurement: what to install, how long, how often to visit, and is it worth it."""

from sewer_audit.planning.expected import ExpectedFlow, expected_flow, flow_between
from sewer_audit.planning.findings import checklist_table, option_table, ranking_table
from sewer_audit.planning.options import Option, examine
from sewer_audit.planning.plan import Plan, Rated, closer, make_plan
from sewer_audit.planning.power import (
    Chances,
    chances_of_total,
    decision_power,
    length_for,
    smallest_shortfall,
)
from sewer_audit.planning.precision import Precision, Schedule, expected_precision
from sewer_audit.planning.site import PipeSite, Setting
from sewer_audit.planning.visits import longest_between_visits, visit_table
from sewer_audit.planning.worth import (
    Belief,
    Stake,
    Worth,
    monitoring_cost,
    net_value_curve,
    worth_of_evidence,
)

__all__ = [
    "Belief",
    "Chances",
    "ExpectedFlow",
    "Option",
    "PipeSite",
    "Plan",
    "Precision",
    "Rated",
    "Schedule",
    "Setting",
    "Stake",
    "Worth",
    "chances_of_total",
    "checklist_table",
    "closer",
    "decision_power",
    "examine",
    "expected_flow",
    "expected_precision",
    "flow_between",
    "length_for",
    "longest_between_visits",
    "make_plan",
    "monitoring_cost",
    "net_value_curve",
    "option_table",
    "ranking_table",
    "smallest_shortfall",
    "visit_table",
    "worth_of_evidence",
]
