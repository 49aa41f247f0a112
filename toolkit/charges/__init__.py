"""Rate schedules to invoice lines, exactly; what is wrong with an invoice; what may be claimed.

A rate file (`load_rates`) holds dated versions of charged volumes and charges. `price` recomputes
one invoice in decimals, `price_draws` the same for a volume that is not exactly known, `compare`
lays the recomputed beside the invoiced lines.
"""

from toolkit.charges.account_files import (
    HowRead,
    read_earlier_use,
    read_invoice_facts,
    read_payments,
)
from toolkit.charges.basis import ChargedVolume, winter_average
from toolkit.charges.billed import (
    BRIEFLY,
    PROOFS,
    BilledInvoice,
    MeterExchange,
    RegisterFace,
    Signature,
    SupplyMeter,
)
from toolkit.charges.claims import (
    Claim,
    ClaimItem,
    ClaimLine,
    ClaimRule,
    Payment,
    work_out_claim,
)
from toolkit.charges.comparing import Comparison, LineDifference, compare
from toolkit.charges.facts import InvoiceFacts, Sample, UsePeriod
from toolkit.charges.hidden_rates import rate_between
from toolkit.charges.lines import PricedLine
from toolkit.charges.loading import load_rates, parse_rates
from toolkit.charges.pricing import PricedInvoice, price, price_draws
from toolkit.charges.recomputed import Recomputed, recompute
from toolkit.charges.schedule import Schedule
from toolkit.charges.signatures import find_signatures
from toolkit.charges.strengths import charged_strength, read_samples, samples_used
from toolkit.charges.terms import PricedTerm
from toolkit.charges.wording import rates_of

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
