"""The sample without a record: a case that holds invoices and a plan, and nothing else yet."""

from __future__ import annotations

from decimal import ROUND_HALF_UP, Decimal

LINES = ("sewer fixed charge", "sewer volume charge")
FIXED, RATE = Decimal("75.00"), Decimal("7.86")
READS = [
    *("2025-01-07 2025-02-06 2025-03-06 2025-04-08 2025-05-07 2025-06-05 2025-07-08").split(),
    *("2025-08-06 2025-09-04 2025-10-07 2025-11-05 2025-12-04 2026-01-07").split(),
]
VOLUMES = (2914, 2731, 3418, 3196, 3377, 4105, 4482, 4390, 4246, 3328, 2895, 2987)  # kgal

CASE = """\
# Invented sample. Larkmoor Preserves, the Village of Tollbrook and every figure are made up.
#
# The village bills what a meter in its own pumping station has counted. The cannery believes that
# this is more than it discharges and asks what a measurement of its own could show, at what price.

[case]
title = "Larkmoor Preserves, discharge account 9 of the Village of Tollbrook"
time_zone = "America/New_York"
basis = "discharge"                # sewer ordinance: billed on the meter of the pumping station
return_factor = 1.0

[display]
volume = "kgal"
discharge = "gpm"
head = "in"
money = "USD"

[invoices]                         # copied from the printed invoices
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "09:00"
end_day_counts = false

[rates]
file = "rates.toml"

[rule]
tolerance = "5 %"
coverage = 0.95
look_back = "24 months"
dispute_days = 60
decided_on = 2026-01-20

# --- what to install, how long, and is it worth it -----------------------------------------------

[plan]
diameter = "10 in"                 # measured in the last manhole on the site
slope = "0.6 %"                    # drawing of 1998; to be surveyed
available_drop = "22 in"           # from the incoming to the outgoing invert, by tape from above
largest_depth = "9 in"             # a floor drain upstream floods above that
approach_width = "4 ft"            # inside width of the chamber
solids = "some"                    # screened, but peel and grit pass
interval = "5 min"
visit_every = "45 days"
months = 12
shortfall = { value = "9 %", standard = "6 %", source = "supply bill, judgement" }
future_months = 24
chance_of_refund = 0.6             # counsel's first view, to be revised
chance_of_credit = 0.8
chance_of_higher_bill = 1.0
drift_share = "10 %"

[plan.flow]
minimum = "45 gpm"                 # weekend washing, bucket and watch
mean = "80 gpm"                    # invoices over running hours
peak = "300 gpm"                   # two cookers drained at once, by their volumes
source = "bucket and watch, invoices, volumes of the cookers"

[[plan.cost]]
family = "parshall flume"
install = { low = 9500, high = 15000 }
per_month = { low = 60, high = 120 }
per_visit = { low = 250, high = 400 }
source = "two budget quotations"

[[plan.cost]]
family = "h flume"
install = { low = 8500, high = 14000 }
per_month = { low = 60, high = 120 }
per_visit = { low = 250, high = 400 }
source = "one budget quotation, widened"

[[plan.cost]]
family = "v-notch weir"
install = { low = 3500, high = 6000 }
per_month = { low = 60, high = 120 }
per_visit = { low = 350, high = 550 }
source = "own workshop, judgement"

[[plan.cost]]
family = "rectangular weir"
install = { low = 3500, high = 6000 }
per_month = { low = 60, high = 120 }
per_visit = { low = 350, high = 550 }
source = "own workshop, judgement"

[[plan.cost]]
family = "area velocity"
install = { low = 6000, high = 9000 }
per_month = { low = 300, high = 500 }
per_visit = { low = 250, high = 400 }
source = "rental offer"

[[plan.cost]]
family = "trap with full-pipe meter"
install = { low = 18000, high = 32000 }
per_month = { low = 40, high = 80 }
per_visit = { low = 250, high = 400 }
source = "estimate of the site's plumber"

[[plan.cause]]
name = "meter error"               # of a full-pipe meter with a bench certificate
expanded = "1 %"
coverage_factor = 2
shape = "normal"
persistence = "whole record"
source = "class of the meter offered; a certificate is part of the offer"
"""

RATES = """\
# Invented sample. The Village of Tollbrook and its rates are made up.

[schedule]
name = "Sewer rates of the Village of Tollbrook"
currency = "USD"
source = "invented for the sample: village ordinance 2025"
rate_change = "by end"
end_day_counts = false
line_rounding = { to = 0.01, rule = "half up" }
total_rounding = { to = 0.01, rule = "half up" }

[[version]]
name = "2025"
effective = 2025-01-01
source = "invented for the sample: village ordinance 2025"

[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "discharge"
rounding = { to = 1, rule = "half up" }

[[version.charge]]
name = "sewer fixed charge"
kind = "fixed"
amount = 75.00
per = "bill"

[[version.charge]]
name = "sewer volume charge"
kind = "volume"
volume = "sewer"
rate = 7.86                           # USD per kgal
"""


def invoice_rows() -> list[str]:
    """Twelve invoices that follow the schedule, as printed."""
    rows, count = [], 48_120
    for number, volume in enumerate(VOLUMES):
        start, end = READS[number], READS[number + 1]
        charge = (RATE * volume).quantize(Decimal("0.01"), ROUND_HALF_UP)
        name = f"T{end[2:4]}{end[5:7]}"
        amounts = f"{FIXED},{charge},{FIXED + charge}"
        rows.append(f"{name},{start},{end},{count},{count + volume},actual,{volume},{amounts}")
        count += volume
    return rows


def files() -> dict[str, list[str] | str]:
    """Every file of the sample: path and text, or lines."""
    head = "invoice,start,end,previous_read,current_read,read_type,billed_volume"
    return {
        "sample_bills/before_a_logger/case.toml": CASE,
        "sample_bills/before_a_logger/rates.toml": RATES,
        "sample_bills/before_a_logger/invoices.csv": [
            ",".join([head, *LINES, "total"]),
            *invoice_rows(),
        ],
    }
