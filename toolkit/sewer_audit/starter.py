"""A commented starter case: the case file and the headers of the files it names."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from sewer_audit.errors import InputRefused, Problem

__all__ = ["write_starter"]

CASE = """\
# A case: which invoices are audited, with which evidence, under which decision rule.
# Every physical value is text with its unit. Uncertain values are tables in the words of the GUM:
#   { value = "0 mm", standard = "2 mm" }
#   { half_width = "1 %", shape = "rectangular" }
#   { expanded = "2 %", coverage_factor = 2 }
# each with source = "where the figure comes from". Everything but [case] and [invoices] is
# optional: what is missing narrows the questions the audit can answer, and it says so.
# A line that begins with "# " and a key is an example: take the "# " away to use it.
# Columns are named here as the file names them; none is guessed from its name.

[case]
title = "Name of the site and what is audited"
time_zone = "America/Chicago"      # IANA name of the zone the invoices are dated in
basis = "intake"                   # what the schedule bills on: "intake" or "discharge"
return_factor = 1.0                # billed share of the net intake, from the schedule

[display]
volume = "kgal"
discharge = "gpm"
head = "in"
money = "USD"

[invoices]                         # CSV or XLSX, one row per invoice; further columns are lines
file = "invoices.csv"              # or several: ["2025.csv", "2026.csv"]
volume_unit = "kgal"
read_hour = "08:00"                # local hour of the reads, where the file holds dates only
end_day_counts = false             # true if a period includes the whole day of its end date
# not_charges = ["Days", "Reading"]          # columns of figures that are no charge line
# overlapping_days = "examine"     # days on two invoices are refused as slips unless printed so
# day_first = false                # order of dates such as 03/04/2026; refused until it is stated
# decimal = "."                    # or ",", where the numbers do not tell
# columns = { invoice = "invoice", billed_volume = "billed_volume" }   # ours = "the file's"
# A correction or a credit is a row of its own: columns kind (corrected, credit) and replaces
# (number of the invoice it stands against).

[rates]
file = "rates.toml"

[[intake]]
meter = "main"
file = "main_meter.csv"            # or several: ["2025.csv", "2026.csv"]
unit = "gal"
multiplier = 100                   # what one count of the register stands for, in units
digits = 6                         # so that a roll-over is recognised
error = { expanded = "2 %", coverage_factor = 2, source = "test certificate, date" }
# years_since_test = 8            # without a certificate: age (unknown counts as more than 5
# low_flow_share = "10 %"         # years) and share of the volume at low flow widen the error
# meter_type = "displacement"      # or class 1, class 2, compound, propeller; beside that share
# Several meters billed together are an [[intake]] each. At a change of meter the final read of the
# old and the first read of the new one are two rows of one time, the latter with the event.
# Further columns tell a change of meter (event = change-out, or another meter number), a change
# of multiplier (multiplier), and estimated reads (read_type). Interval data in Green Button form:
#   form = "green button"          # and neither multiplier, digits nor columns

# The second register of a compound meter is added; a meter behind this one is taken off.
# [[intake.further_register]]
# name = "low-flow register"
# file = "low_flow_register.csv"
# unit = "gal"
# sign = "add"                     # or "take off"

# Water that never reaches the sewer. Each kind is known in one of several ways; the keys say which:
#   deduct meter         file (and drain = { file, unit } for what runs back to the sewer)
#   cooling tower        file and drain; file and cycles_of_concentration, or conductivity and
#                        conductivity_of_feed; circulation, cooling_range and running; heat, running
#   boiler and steam     file and drain; file, cycles_of_concentration (or both conductivities) and
#                        condensate_share; steam and condensate_return, or steam and losses (a list:
#                        traps and receivers, sootblowing with oil or coal, atomizing)
#   humidification       file and drain; outdoor_air, moisture_indoors, moisture_outdoors, running
#   water in product     file or log, and water_share; batches_per_day, water_per_batch; fraction
#   laundry evaporation  log or dry_mass, and retained
#   irrigation           file; reference_evapotranspiration, area, plant_factor,
#                        irrigation_efficiency
#   tank evaporation     area, water_temperature, air_temperature, relative_humidity; area and
#                        pan_depth
#   trucked waste        log = { file, unit } of the manifests; loads_per_day, volume_per_load
#   fraction, per day    fraction_of and fraction, or fraction_of and sector (public supply,
#                        commercial and institutional, industrial, irrigation: a published frame,
#                        no evidence); per_day
# A log is a table of dated amounts: log = { file = "linen.csv", unit = "lb",
#   columns = { time = "day", amount = "dry linen" } }. Each amount counts on its day as a whole.
# What changes with the season stands as twelve values, January first: monthly = { running = [...] }
# [[use]]
# name = "irrigation"
# kind = "deduct meter"
# file = "irrigation_meter.csv"
# unit = "gal"
# error = { expanded = "3 %", coverage_factor = 2, source = "judgement: meter not tested" }
# credited = true                  # whether the schedule takes it off the billed volume

# Water that reaches the sewer without passing a supply meter, by meter, per_day, rain, a
# neighbour's return or ground water (mean_discharge and driest_discharge; sewer_diameter and
# sewer_length; per_day). A private well is an [[intake]] with role = "well".
# [[inflow]]
# name = "roof of the loading dock"
# kind = "rain"                    # on the record's own rain, or log = { file, unit }
# area = "2000 ft2"                # without it: found by how the record follows the rain
# runoff_share = { value = "90 %", standard = "5 %" }

# Where the same water is measured again, meters can test each other; with the balance of the site
# alone no test can name a wrong one. A further measurement takes no part in the expected discharge;
# its kind is "meter", if none is given, or that of a use with its keys. A further balance says what
# flows into a point and what flows out of it; "effluent" is the record in the sewer.
# [[further_measurement]]
# name = "process sub-meter"
# file = "process_meter.csv"
# unit = "gal"
# error = { expanded = "3 %", coverage_factor = 2, source = "judgement: meter not tested" }
# [[further_measurement]]
# name = "irrigation by area"
# kind = "irrigation"
# reference_evapotranspiration = "43 in"
# area = "2 acre"
# plant_factor = 0.6
# irrigation_efficiency = 0.75
# Cycles or conductivities of a tower beside its blowdown meter stand on the same makeup meter: the
# key same_meter_as with the name of the tower then takes the place of file and unit.
# [[further_balance]]
# name = "behind the main meter"
# into = ["main"]
# out = ["irrigation", "process sub-meter"]
# [[further_balance]]
# name = "one use known twice"
# into = ["irrigation"]
# out = ["irrigation by area"]

[effluent]
file = "effluent_log.csv"          # or several exports, overlapping or not: ["a.csv", "b.csv"]
method = "parshall flume"          # 'sewer-audit discharge list' names the methods; with the word
                                   # of one alone it says which keys are missing
throat = "6 in"
reference_distance = "36 in"       # sensor face to the datum (here the crest), plumb
longest_bridge = "30 min"          # readings further apart are a gap, filled and marked as such
# The record comes as a table. Two other forms:
#   form = "waterml"               # WaterML 2.0; columns: head = { name = "id of the series" }
#   form = "hand readings"         # a ruler: columns time, head, remark; no reference_distance
# time_zone = "UTC-06:00"          # the logger's clock, where it did not follow the site's zone
# stamp = "instant"                # or "interval start", "interval end" for means
# missing_marks = ["-999", "no echo"]        # words or numbers written where there is no value
# round_stamps_to = "5 min"        # moves stamps such as 10:04:59 onto the step
# conflicts = "reject"             # rows of one time that differ: or keep the "first", the "last"
# back_steps = "refuse"            # a clock that goes back: or "sort", or "reject" the repetition
# missing_hour = "refuse"          # stamps in the hour that spring leaves out: or "reject"
# blanking_distance = "12 in"      # from the sensor's data sheet
# allow_missing_periods = false    # true estimates an invoice's period without any reading

[effluent.columns]
time = "time"                      # or ["Date", "Time"], or a column for each part of the date
distance = { name = "distance", unit = "in" }
# rain = { name = "rain", unit = "in" }
# zone = "tz"                      # a column of zone words, settled under zone_offsets
# utc = "UTC time"                 # a second column of stamps, only compared

# [effluent.zone_offsets]
# CST = "UTC-06:00"
# CDT = "UTC-05:00"

# Stamps known to be wrong, because the clock was set by hand.
# [[effluent.clock_correction]]
# start = "2026-03-08 03:00"
# end = "2026-03-09 11:15"
# shift = "60 min"                 # positive where the clock was slow

# Rain in a file of its own.
# [effluent.rain_gauge]
# file = "rain.csv"
# columns = { time = "time", rain = { name = "rain", unit = "in" } }

# Screening: every rule has defaults with reasons ('sewer-audit report' lists them).
# [effluent.screening]
# spike = { smallest = "2 in" }
# "flat line" = "mark"             # or "off", "reject"

# Each visit, by the clock of the site: the head read by hand beside the head the instrument showed
# before anything was adjusted.
# [[effluent.visit]]
# time = "2026-02-03 10:20"
# hand = "3.1 in"
# instrument = "3.0 in"
# rezeroed = false
# hand_standard = "1 mm"           # standard uncertainty of the hand reading
# note = "what was found and done"

# An uncertain cause in place of a default; the report lists all with their defaults.
# [[effluent.cause]]
# name = "discharge coefficient"
# half_width = "3 %"
# shape = "rectangular"
# persistence = "whole record"     # or "between visits", "each reading"
# source = "where the figure comes from"

# What the method asks of the installation (the rules 'sewer-audit discharge' prints), answered with
# yes, no or open, then a semicolon and what was measured. Published figures widen or narrow the
# stated uncertainty by it; what is open stays visible in the report.
# [effluent.checklist]
# "straight run" = "yes; 14 ft of straight channel above the flume"

[rule]                             # stated before the result is known
tolerance = "5 %"                  # a billed volume is contested only beyond this
coverage = 0.95
# source = "who stated the rule, and when"
# guard_factor = 1.0               # times the half width of the interval, for a finding
# smallest_coverage_of_record = "75 %"       # below it a finding is "cannot be decided"
# look_back = "36 months"          # claim window of the local code
# dispute_days = 60                # days after an invoice within which it may be disputed
# decided_on = 2026-04-20          # date the windows are counted from
# stable_digits = 1                # add draws until so many digits of each uncertainty stand still

# What the schedule prices beside the volume, and whose reads the invoices print.
# [account]
# meter_size = "2 in"              # as the rate table writes it
# customer_class = "industrial"
# months = 1                       # months a bill stands for; told from its days if left out
# counts = { "equivalent units" = 12 }         # whatever else a charge counts
# strengths = { BOD = "410 mg/L" }             # fixed by permit, or else
# samples = "samples.csv"          # date, parameter, value, unit and, if known, flow
# Another table is read with its columns named: { file = "lab.csv", columns = { date = "Sampled",
#   parameter = "Analyte" }, day_first = false }; so are the three files below.
# earlier_use = "earlier_use.csv"  # start, end, volume: for a winter average
# by_invoice = "by_invoice.csv"    # invoice, bill_date, meter_size, ...: what changes between bills
# read_of = "main"                 # the [[intake]] whose reads the invoices print
# [account.reads]                  # or what the printed reads count in, without reads of your own
# unit = "gal"
# multiplier = 100
# digits = 6
# [[account.reads.change]]         # a change of that meter; a register's file tells its own
# date = 2026-02-14
# final_read = 91600               # of the old meter
# first_read = 250                 # of the new meter
# multiplier = 1000                # of the new meter, where it is another

# [claim]
# payments = "payments.csv"        # invoice, paid_on, amount, under_protest
# back_bill = "36 months"          # how far undercharges may be billed back
# counted_on = "bill date"         # or "period end", "payment"
# interest_per_year = "3.5 %"      # simple, if the local code grants it
# interest_after = "30 days"       # from payment until interest runs

# Reads of a neighbour's meter, if its reads may have been billed here.
# [[neighbour]]
# account = "0418"
# file = "neighbour.csv"
# unit = "gal"
# multiplier = 100
# digits = 6

# Before a logger: 'sewer-audit plan' compares what could be installed. Leave [effluent] out then.
# [plan]
# diameter = "10 in"               # of the pipe at the measuring point
# slope = "0.6 %"
# available_drop = "22 in"         # from the incoming to the outgoing invert
# largest_depth = "9 in"           # deepest water that harms nothing upstream
# approach_width = "4 ft"          # inside width of the chamber
# solids = "some"                  # or "none", "heavy"
# roughness = 0.013                # of the pipe, for Manning's equation
# interval = "5 min"
# hand_standard = "1 mm"           # standard uncertainty of a hand reading at a visit
# visit_every = "45 days"
# months = 12
# shortfall = { value = "9 %", standard = "6 %", source = "judgement" }  # billed above true
# price = { amount = 7.35, per = "kgal" }      # of a volume, where there is no rate schedule
# future_months = 24               # over which a corrected basis is counted
# chance_of_refund = 0.6
# chance_of_credit = 0.8
# chance_of_higher_bill = 1.0
# drift_share = "10 %"             # of a month's variance, that drift may take between visits
# [plan.flow]
# minimum = "45 gpm"
# mean = "80 gpm"
# peak = "300 gpm"
# [[plan.cost]]
# family = "parshall flume"        # one table for each kind of measurement
# install = { low = 9500, high = 15000 }
# per_month = { low = 60, high = 120 }
# per_visit = { low = 250, high = 400 }
# [[plan.cause]]
# name = "throat width"            # in place of the default of what is planned
# standard = "0.3 %"
# source = "judgement: measured after installation"
"""

RATES = """\
# The rate schedule, one [[version]] per dated edition; copy every figure from the printed schedule.
# The figures below are placeholders, not anybody's rates.

[schedule]
name = "Name of the schedule"
currency = "USD"
source = "document, edition, table"
rate_change = "by start"           # or "by end", "by bill date", "split by days"
end_day_counts = false             # days = end date less start date
line_rounding = { to = 0.01, rule = "half up" }
total_rounding = { to = 0.01, rule = "half up" }

[[version]]
effective = 2020-01-01             # first day this edition is in force
name = "name of the edition"

[[version.volume]]
name = "sewer"
unit = "kgal"
basis = "intake"                   # or "intake less deduct", "discharge", ...
return_factor = 1.0

[[version.charge]]
name = "fixed charge"              # the column of invoices.csv it goes into
kind = "fixed"
amount = 84.50
per = "bill"

[[version.charge]]
name = "volume charge"
kind = "volume"
volume = "sewer"
rate = 6.35                        # per kgal
"""

HEADERS = {
    "invoices.csv": "invoice,start,end,previous_read,current_read,read_type,billed_volume,"
    "fixed charge,volume charge,total\n",
    "main_meter.csv": "time,register\n",
    "effluent_log.csv": "time,distance\n",
}


def write_starter(folder: str | Path) -> Path:
    """Write a starter case into a new folder.

    Parameters
    ----------
    folder : str or Path
        Must not exist yet, or be empty [-].

    Returns
    -------
    Path
        The folder [-].

    Raises
    ------
    InputRefused
        If the folder holds anything already, or cannot be made.
    """
    target = Path(folder)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputRefused(
            Problem(target.name, "the folder exists and is not empty", "Name a new folder")
        )
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=target.parent, prefix=".starter-") as made:
            draft = Path(made) / "case"
            draft.mkdir()
            (draft / "case.toml").write_text(CASE, encoding="utf-8")
            (draft / "rates.toml").write_text(_rates(), encoding="utf-8")
            for name, header in HEADERS.items():
                (draft / name).write_text(header, encoding="utf-8")
            if target.exists():
                target.rmdir()
            shutil.move(draft, target)
    except OSError as error:
        raise InputRefused(
            Problem(target.name, f"cannot be written ({error.strerror})", "Name another folder")
        ) from None
    return target


def _rates() -> str:
    return RATES
