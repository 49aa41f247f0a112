"""Before a measurement: what to install, how long, how often to visit, and is it worth it."""

from sewer_audit.planning.findings import checklist_table, option_table, ranking_table
from sewer_audit.planning.plan import closer, make_plan
from sewer_audit.planning.power import chances_of_total
from sewer_audit.planning.worth import net_value_curve

__all__ = [
    "chances_of_total",
    "checklist_table",
    "closer",
    "make_plan",
    "net_value_curve",
    "option_table",
    "ranking_table",
]
