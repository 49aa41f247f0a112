"""The case files of the two small samples."""

from __future__ import annotations

LAUNDRY_HEADER = "Date and time,Depth (in),Velocity (ft/s)"
LAUNDRY = """\
# Invented sample. Pellworth Linen Works, the Borough of Dorrick and every figure are made up.
#
# The borough bills what its own meter at the outlet has counted. The laundry set a monitor for
# depth and velocity into its 12 in sewer. There are no supply reads, so the balance stays open.

[case]
title = "Pellworth Linen Works, discharge account 22 of the Borough of Dorrick"
time_zone = "America/New_York"
basis = "discharge"                # discharge permit: billed on the borough's outlet meter
return_factor = 1.0

[display]
volume = "CCF"
discharge = "gpm"
head = "in"
money = "USD"

[invoices]
file = "invoices.csv"
volume_unit = "CCF"                # printed on the invoice
read_hour = "09:00"                # the borough reads its meter on its morning round
end_day_counts = false

[rates]
file = "rates.toml"

[effluent]
file = "../../sample_logs/area_velocity_log.csv"
method = "area velocity"
diameter = "12 in"                 # inside, measured at the manhole
longest_bridge = "60 min"
source = "depth and mean velocity every 15 minutes; local clock with daylight saving"

[effluent.columns]
time = "Date and time"
depth = { name = "Depth (in)", unit = "in" }
velocity = { name = "Velocity (ft/s)", unit = "ft/s" }

[effluent.checklist]
"straight run" = "yes; 30 ft of straight pipe upstream; invert clean at both visits"
"velocity" = "yes; factor 1.00 by one profile of point velocities, whole width, one depth"

[[effluent.visit]]
time = "2025-09-10 11:00"
hand = "@1"
hand_standard = "0.04 in"
instrument = "@2"

[[effluent.visit]]
time = "2025-11-19 11:00"
hand = "@3"
hand_standard = "0.04 in"
instrument = "@4"

[[effluent.cause]]
name = "velocity factor"           # of the mean velocity the monitor reports
standard = "3 %"
persistence = "whole record"
source = "judgement: one profile of point velocities across the pipe agreed within 5 %"

[rule]
tolerance = "5 %"
coverage = 0.95
look_back = "24 months"
dispute_days = 45
decided_on = 2026-01-12
"""

HOTEL_HEADER = "time,depth_in"
HOTEL = """\
# Invented sample. Ostrey Heights Conference Hotel, its sanitary district and every figure are
# made up.
#
# The district bills all metered water. The gardens are watered through a meter of the hotel's own
# that the district gives no credit for. A depth logger in the 8 in sewer gives a rough second view.

[case]
title = "Ostrey Heights Conference Hotel, sewer account 3 of the sanitary district"
time_zone = "America/Denver"
basis = "intake"                   # tariff: all metered water
return_factor = 1.0

[display]
volume = "kgal"
discharge = "gpm"
head = "in"
money = "USD"

[invoices]
file = "invoices.csv"
volume_unit = "kgal"
read_hour = "10:00"
end_day_counts = false

[rates]
file = "rates.toml"

[[intake]]
meter = "main"
file = "main_meter.csv"
unit = "gal"
multiplier = 100
digits = 6
error = { expanded = "2 %", coverage_factor = 2, source = "judgement: meter two years old" }

[[use]]
name = "gardens"
kind = "deduct meter"
file = "garden_meter.csv"
unit = "gal"
multiplier = 10
digits = 6
error = { expanded = "3 %", coverage_factor = 2, source = "judgement: the hotel's own meter" }
credited = false                   # the district's tariff knows no deduct meters

[[use]]
name = "evaporation indoors"
kind = "fraction"
fraction_of = "main"
fraction = { value = "1.5 %", half_width = "1.0 %", shape = "rectangular", \
source = "judgement: kitchen, pool and laundry" }
credited = false

[effluent]
file = "../../sample_logs/manning_log.csv"
method = "manning"
diameter = "8 in"
slope = "1.0 %"                    # drawing of 1998, checked between two manholes
roughness = "0.013"                # sanitary sewer coated with slime, usual value
longest_bridge = "60 min"
source = "pressure sensor on the invert, every 15 minutes; local clock with daylight saving"

[effluent.columns]
time = "time"
depth = { name = "depth_in", unit = "in" }

[effluent.checklist]
"slope" = "no; drawing of 1998, levelled between two manholes; not surveyed over the reach"

[[effluent.visit]]
time = "2025-05-14 11:30"
hand = "@1"
hand_standard = "0.04 in"
instrument = "@2"

[rule]
tolerance = "5 %"
coverage = 0.95
look_back = "36 months"
dispute_days = 90
decided_on = 2025-09-01
"""


def filled(template: str, figures: list[str]) -> str:
    """Put the hand and instrument readings of the visits into a case file."""
    for number, figure in enumerate(figures, start=1):
        template = template.replace(f'"@{number}"', f'"{figure}"')
    return template
