"""The case file and the schedule of the creamery, as a careful site engineer would write them."""

from __future__ import annotations

from samples.creamery_instruments import LOST_ECHO, Visit, level_log

SEEN_FREE = ("2025-07-29", "14")  # day and head [in] at which the water below was looked at
LOG_HEADER = "Local time,Echo time (ms),Air temperature (degC)"

CASE = """\
# Invented sample. Brindlemere Creamery, the Town of Kesselwick, its tariff and every figure here
# are made up; none of them stands for a real firm, place or person.
#
# The question: the town bills the creamery's sewer use as 90 % of the metered intake (less a
# deduct meter). Is each invoice made by that rule, is the volume plausible, and is the rule fair?

[case]
title = "Brindlemere Creamery, sewer account 0417 of the Town of Kesselwick"
time_zone = "America/Chicago"      # clock of the invoices, the meter reads and the logger
basis = "intake"                   # sewer code of the town, section on volume charges
return_factor = 0.90               # the same section: 90 % of water bought less deduct meters

[display]                          # what people at the site read; the computation is in SI
volume = "kgal"
discharge = "gpm"
head = "in"
money = "USD"

[invoices]                         # copied from the twelve printed invoices, one row each
file = "invoices.csv"
volume_unit = "kgal"               # printed in the heading of the invoice
read_hour = "08:00"                # the town's reader comes at eight (gate book)
end_day_counts = false             # a period ends with the read on its end date

[rates]                            # two editions of the town's printed schedule
file = "rates.toml"
held_beside = "leaflets of 2024 and 2026, line by line, by the auditor on 2026-03-02"

# --- water in ------------------------------------------------------------------------------------
# Registers are read about weekly by the shift leader, and on the town's read days beside the
# town's reader.

[[intake]]
meter = "main"
role = "supply"
file = "main_meter.csv"
unit = "gal"
multiplier = 100                   # cover plate: one count is 100 gal
digits = 6                         # so the register rolls over at 100,000 kgal
read_within = "0 min"              # the town and the site read it together
error = { expanded = "2 %", coverage_factor = 2, shape = "normal", persistence = "whole record", \
source = "test certificate of the town's meter shop, 14 months old" }

# --- water that never reaches the sewer ----------------------------------------------------------

[[use]]
name = "cooling tower make-up"     # the tower's bleed goes to the irrigation pond, not the sewer
kind = "deduct meter"
file = "cooling_tower_meter.csv"
unit = "cf"
multiplier = 10                    # cover plate: one count is 10 cubic feet
digits = 6
error = { expanded = "3 %", coverage_factor = 2, shape = "normal", persistence = "whole record", \
source = "certificate of the maker at delivery, widened for four years of service" }
credited = true                    # the town agreed to this deduct meter

[[use]]
name = "water in product"          # drinks, whey concentrate and steam lost in drying
kind = "fraction"
fraction_of = "main"
fraction = { value = "19 %", standard = "1.0 %", persistence = "whole record", \
source = "filler counts and dryer balance of three weeks, judgement of the process engineer" }
credited = false                   # the return factor is meant to stand for this

# --- water to the sewer --------------------------------------------------------------------------

[effluent]
file = "../sample_logs/effluent_log.csv"
method = "parshall flume"          # in the last manhole on the site, nothing joins below it
throat = "6 in"                    # measured with a steel rule at the last visit
reference_distance = "36.00 in"    # sensor face to the crest, levelled when the bracket was set
blanking_distance = "12 in"        # manual of the sensor
longest_bridge = "30 min"          # readings further apart are a gap, filled and marked as such
missing_marks = ["{lost}"]          # written by the logger when no echo came back
source = "ultrasonic level logger, reading every 5 minutes, clock with daylight saving"

[effluent.columns]                 # echo time is the whole way, from the pulse to its echo
time = "Local time"
echo_time = {{ name = "Echo time (ms)", unit = "ms" }}
air_temperature = {{ name = "Air temperature (degC)", unit = "degC" }}

[effluent.checklist]               # what the method asks of the installation; seen 2026-03-10
"head measurement" = "yes; above the side wall, two thirds of its length from the crest; taped"
"tailwater measurement" = "no; no gauge, a steel rule below the throat at visits, no backwater"
"floor" = "yes; level within 1/16 in lengthways and across, spirit level"
"straight run" = "yes; 14 ft of straight channel above it, no drop or bend; surface tranquil"
"free flow" = "yes; on {seen} in of head water below under a third of it; free in storms"
"approach" = "yes; Froude number 0.2 to 0.4 from width, depth and flow at three visits"
"dimensions" = "yes; throat 6.0 in at floor and top, walls plumb, steel rule; sheet in the book"
"solids" = "yes; floor bare at every visit, hosed down monthly, no growth on walls or sensor"
"blanking" = "yes; walls of the flume end 18 in below the sensor, the water stays within them"
"temperature" = "yes; on the bracket beside the path of the echo, shaded, no warm pipe near"

# Visits (maintenance book): the head on the flume's own gauge, read by hand to 0.05 in, beside
# the head the display showed. When they differed by more than 0.10 in the bracket was moved until
# they agreed (rezeroed).
{visits}
# The bracket is known to sag: twice it had moved by 3 to 4 mm between two visits.
[[effluent.cause]]
name = "zero drift"                # growth of the zero error in 30 days
standard = "2 mm"
persistence = "between visits"
source = "maintenance book: 3 to 4 mm found at two of seven visits, eight weeks apart"

# --- the decision rule, stated before the result was known ---------------------------------------

[rule]
tolerance = "5 %"                  # a billed volume is contested only beyond this
coverage = 0.95
look_back = "36 months"            # sewer code: refunds reach back three years
dispute_days = 60                  # sewer code: an invoice may be disputed for 60 days
decided_on = 2026-04-20            # the day this audit was made
source = "agreed between the plant manager and the auditor on 2026-03-02"
"""

VISIT = """
[[effluent.visit]]
time = "{time}"
hand = "{hand}"
hand_standard = "0.04 in"
instrument = "{instrument}"
rezeroed = {rezeroed}
"""


def visit_table(visit: Visit) -> str:
    """One visit as a table of the case file."""
    rezeroed = str(visit.rezeroed).lower()
    return VISIT.format(
        time=visit.time, hand=visit.hand, instrument=visit.instrument, rezeroed=rezeroed
    )


def case_text() -> str:
    """The creamery's case file."""
    head, tail = CASE.split("[effluent]\n")
    visits = "".join(map(visit_table, level_log().visits)) + "\n"
    return (
        head
        + "[effluent]\n"
        + tail.format(visits=visits, lost=LOST_ECHO, seen=" at ".join(SEEN_FREE))
    )
