"""Rate schedules to invoice lines, exactly; what is wrong with an invoice; what may be claimed.

A rate file (`load_rates`) holds dated versions of charged volumes and charges. `price` recomputes
one invoice in decimals, `price_draws` the same for a volume that is not exactly known, `compare`
lays the recomputed beside the invoiced lines.
"""

from sewer_audit.charges.account_files import (
    HowRead,
    read_earlier_use,
    read_invoice_facts,
    read_payments,
)
from sewer_audit.charges.basis import ChargedVolume, winter_average
from sewer_audit.charges.billed import (
    BRIEFLY,
    PROOFS,
    BilledInvoice,
    MeterExchange,
    RegisterFace,
    Signature,
    SupplyMeter,
)
from sewer_audit.charges.claims import (
    Claim,
    ClaimItem,
    ClaimLine,
    ClaimRule,
    Payment,
    work_out_claim,
)
from sewer_audit.charges.comparing import Comparison, LineDifference, compare
from sewer_audit.charges.facts import InvoiceFacts, Sample, UsePeriod
from sewer_audit.charges.hidden_rates import rate_between
from sewer_audit.charges.lines import PricedLine
from sewer_audit.charges.loading import load_rates, parse_rates
from sewer_audit.charges.pricing import PricedInvoice, price, price_draws
from sewer_audit.charges.recomputed import Recomputed, recompute
from sewer_audit.charges.schedule import Schedule
from sewer_audit.charges.signatures import find_signatures
from sewer_audit.charges.strengths import charged_strength, read_samples, samples_used
from sewer_audit.charges.terms import PricedTerm
from sewer_audit.charges.wording import rates_of

__all__ = [
    "BRIEFLY",
    "PROOFS",
    "BilledInvoice",
    "ChargedVolume",
    "Claim",
    "ClaimItem",
    "ClaimLine",
    "ClaimRule",
    "Comparison",
    "HowRead",
    "InvoiceFacts",
    "LineDifference",
    "MeterExchange",
    "Payment",
    "PricedInvoice",
    "PricedLine",
    "PricedTerm",
    "Recomputed",
    "RegisterFace",
    "Sample",
    "Schedule",
    "Signature",
    "SupplyMeter",
    "UsePeriod",
    "charged_strength",
    "compare",
    "find_signatures",
    "load_rates",
    "parse_rates",
    "price",
    "price_draws",
    "rate_between",
    "rates_of",
    "read_earlier_use",
    "read_invoice_facts",
    "read_payments",
    "read_samples",
    "recompute",
    "samples_used",
    "winter_average",
    "work_out_claim",
]
