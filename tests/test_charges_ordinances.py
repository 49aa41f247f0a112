"""Three invented ordinances written as rate files from their prose, against bills worked by hand.

Lines and totals were worked with plain decimals from the prose alone by somebody who had not read
this library; the prose stands beside each schedule in short.
"""

from __future__ import annotations

from datetime import date
from decimal import Decimal

import pytest

from sewer_audit.charges import InvoiceFacts, UsePeriod, price
from sewer_audit.charges.schedule.loading import parse_rates
from test_charges_rules import charge, head, version

D = Decimal

# Metered water in whole units of 100 cubic feet, a part dropped. Winter average: mean of the bills
# ending in December, January and February, to the nearest unit, from April 1 to March 31. Bills
# ending April to November: the lesser of both; the others: the metered water. Minimum 85.00.
ULVERBROOK = """
name = "title 6"
[[version.volume]]
name = "billed units"
unit = "CCF"
rule = "min(round_down(intake, 1), winter_average)"
winter = { months = [12, 1, 2], month_of = "end date", from_month = 4, rounding = { to = 1 }, \
charged_months = [4, 5, 6, 7, 8, 9, 10, 11] }
""" + "".join(
    (
        charge("fixed", 'amount = 18.20\nper = "bill"', "service fee"),
        charge(
            "volume",
            "blocks = [ { to = 20, rate = 5.12 }, { to = 100, rate = 4.46 }, { rate = 3.905 } ]",
            "commodity charge",
        ),
        charge(
            "minimum",
            'amount = 85.00\nof = ["service fee", "commodity charge"]',
            "minimum adjustment",
        ),
        charge(
            "percent",
            'rate = "5 %"\nof = ["service fee", "commodity charge", "minimum adjustment"]',
            "franchise fee",
        ),
        charge("percent", 'rate = "2.5 %"\nof = "all"', "state tax"),
    )
)
EARLIER = tuple(
    UsePeriod(D(volume), date(*start), date(*end), "cf")
    for start, end, volume in (
        ((2024, 11, 1), (2024, 12, 3), 12100),
        ((2024, 12, 3), (2025, 1, 3), 15900),
        ((2025, 1, 3), (2025, 2, 3), 15900),
        ((2024, 8, 1), (2024, 9, 3), 99900),
    )
)


@pytest.mark.parametrize(
    ("start", "end", "cubic_feet", "units", "commodity", "total"),
    [
        ((2025, 2, 3), (2025, 3, 4), 16150, 161, "697.41", "770.17"),
        ((2025, 5, 5), (2025, 6, 4), 1240, 12, "61.44", "91.48"),
        ((2025, 4, 3), (2025, 5, 5), 11399, 113, "509.97", "568.44"),
    ],
)
def test_ulverbrook(start, end, cubic_feet, units, commodity, total):
    """Bills below the winter average of 146, or in a month it is not for."""
    facts = InvoiceFacts(
        "u", date(*start), date(*end), "cf", {"intake": D(cubic_feet)}, winter=EARLIER
    )
    found = price(parse_rates(head() + version(ULVERBROOK)), facts)
    assert found.volumes[0].value == units
    assert found.by_column["commodity charge"] == D(commodity) and found.total == D(total)


def test_ulverbrook_above_the_winter_average():
    """Mean of 121, 159 and 159 is 146.33: 146 units, 20 x 5.12 + 80 x 4.46 + 46 x 3.905."""
    facts = InvoiceFacts(
        "u", date(2025, 6, 4), date(2025, 7, 4), "cf", {"intake": D(22480)}, winter=EARLIER
    )
    made = parse_rates(head() + version(ULVERBROOK))
    assert price(made, facts).by_column["commodity charge"] == D("638.83")
    april = facts.but(start=date(2025, 3, 4), end=date(2025, 4, 3))
    assert price(made, april).volumes[0].value == 146  # ends in April, from which it holds
    december = facts.but(start=date(2025, 11, 3), end=date(2025, 12, 3))
    assert price(made, december).volumes[0].value == 224
