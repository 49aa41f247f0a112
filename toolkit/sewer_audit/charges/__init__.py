"""Rate schedules to invoice lines, exactly; what is wrong with an invoice; what may be claimed.

A rate file (`load_rates`) holds dated versions of charged volumes and charges. `price` recomputes
one invoice in decimals, `price_draws` the same for a volume that is not exactly known, `compare`
lays the recomputed beside the invoiced lines.
"""

from sewer_audit.charges.chain.billed import (
    BilledInvoice,
    MeterExchange,
    RegisterFace,
    Signature,
    SupplyMeter,
)
from sewer_audit.charges.chain.classes import BRIEFLY, OF_LINES
from sewer_audit.charges.chain.conventions import (
    explaining_convention,
    explaining_line_rule,
    follows,
    open_keys,
)
from sewer_audit.charges.chain.estimates import recompute_series
from sewer_audit.charges.chain.ledger import OF_RUN, Entry, Ledger, ledger_of
from sewer_audit.charges.chain.links import Usage, as_charged, chains_of, nothing_overdue
from sewer_audit.charges.chain.recomputed import Recomputed, recompute
from sewer_audit.charges.chain.volume_guesses import follows_between, follows_with
from sewer_audit.charges.claims import (
    Claim,
    ClaimItem,
    ClaimLine,
    ClaimRule,
    Payment,
    work_out_claim,
)
from sewer_audit.charges.errors.signatures import find_signatures
from sewer_audit.charges.pricing.account_files import (
    HowRead,
    read_earlier_use,
    read_invoice_facts,
    read_payments,
)
from sewer_audit.charges.pricing.comparing import compare
from sewer_audit.charges.pricing.price import PricedInvoice, price, price_draws
from sewer_audit.charges.pricing.strengths import read_samples
from sewer_audit.charges.schedule.facts import InvoiceFacts, Sample, UsePeriod
from sewer_audit.charges.schedule.loading import load_rates
from sewer_audit.charges.schedule.versions import Schedule
from sewer_audit.charges.schedule.wording import rates_of

__all__ = [
    "BRIEFLY",
    "OF_LINES",
    "OF_RUN",
    "BilledInvoice",
    "Claim",
    "ClaimItem",
    "ClaimLine",
    "ClaimRule",
    "Entry",
    "HowRead",
    "InvoiceFacts",
    "Ledger",
    "MeterExchange",
    "Payment",
    "PricedInvoice",
    "Recomputed",
    "RegisterFace",
    "Sample",
    "Schedule",
    "Signature",
    "SupplyMeter",
    "Usage",
    "UsePeriod",
    "as_charged",
    "chains_of",
    "compare",
    "explaining_convention",
    "explaining_line_rule",
    "find_signatures",
    "follows",
    "follows_between",
    "follows_with",
    "ledger_of",
    "load_rates",
    "nothing_overdue",
    "open_keys",
    "price",
    "price_draws",
    "rates_of",
    "read_earlier_use",
    "read_invoice_facts",
    "read_payments",
    "read_samples",
    "recompute",
    "recompute_series",
    "work_out_claim",
]
