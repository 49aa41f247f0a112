"""What README and the reference show as commands, code, case and rate files is what is read."""

from __future__ import annotations

import re
import shlex
from datetime import date
from decimal import Decimal
from pathlib import Path

import pytest

import sewer_audit
from sewer_audit.__main__ import main, parser
from sewer_audit.case import load_case
from sewer_audit.charges import InvoiceFacts, load_rates, price
from test_case_mapping import CASE

README = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
REFERENCE = (Path(sewer_audit.__file__).parent / "reference.md").read_text(encoding="utf-8")
MAPPING, CHANGE, RATES, ACCOUNT, FURTHER = re.findall(r"```toml\n(.*?)```", REFERENCE, re.DOTALL)


def test_the_mapping_shown_is_the_one_that_is_read():
    assert MAPPING.strip() == CASE.strip()


def test_the_rate_schedule_shown_prices_an_invoice(tmp_path):
    """By hand: 2 in meter, 30 days, 180 of 200.7 kgal after the deduct, the share and whole units.

    service 96.15; volume 100 x 7.12 + 80 x 6.40 = 1,224.00; BOD 50 mg/L above the threshold:
    50 x 8.34 x 0.180 MG = 75.06 lb at 0.31 = 23.27; fee 4 % of 1,343.42 = 53.74.
    """
    file = tmp_path / "rates.toml"
    file.write_text(RATES, encoding="utf-8")
    facts = InvoiceFacts(
        invoice="A1",
        start=date(2025, 9, 1),
        end=date(2025, 10, 1),
        volume_unit="kgal",
        volumes={"intake": Decimal("220.7"), "deduct": Decimal(20)},
        meter_size="2 in",
        strengths={"BOD": Decimal(300)},
    )
    assert price(load_rates(file), facts).total == Decimal("1397.16")


def test_the_account_shown_is_accepted(tmp_path):
    for name in ("bills.csv", "samples.csv", "earlier.csv", "by_invoice.csv", "neighbour.csv"):
        (tmp_path / name).write_text("", encoding="utf-8")
    (tmp_path / "payments.csv").write_text("", encoding="utf-8")
    head = CASE[: CASE.index("[[intake]]")]
    file = tmp_path / "case.toml"
    file.write_text(head + ACCOUNT + CHANGE, encoding="utf-8")
    data = load_case(file).data
    assert data.account.reads.change[0].first_read == 250
    assert data.account.meter_size == "2 in" and data.neighbour[0].account == "0418"


def test_the_further_balances_shown_are_accepted(tmp_path):
    named = [*re.findall(r'"(\w+\.csv)"', CASE + FURTHER)]
    for name in named:
        (tmp_path / name).write_text("", encoding="utf-8")
    file = tmp_path / "case.toml"
    file.write_text(CASE + FURTHER, encoding="utf-8")
    first, second = load_case(file).data.further_balance
    assert first.signs == {"main": 1, "production meter": -1, "boiler house meter": -1}
    assert second.into == ["effluent"]


def test_the_two_commands_are_the_first_two_blocks():
    blocks = re.findall(r"```bash\n(.*?)```", README, re.DOTALL)
    assert len(blocks) == 2
    assert "sewer-audit report" in blocks[0] and "pytest" in blocks[1]


@pytest.mark.parametrize("target", re.findall(r"\]\(([^)]+)\)", README))
def test_every_linked_file_is_there(target):
    assert target.startswith("https://") or (Path(__file__).parent.parent / target).is_file()


def test_the_front_door_is_short():
    assert len(README.splitlines()) <= 150
    developers = Path(__file__).parent.parent / "DEVELOPERS.md"
    assert len(developers.read_text(encoding="utf-8").splitlines()) <= 150


@pytest.mark.parametrize(
    "line", [c for c in re.findall(r"`(sewer-audit [^`]+)`", f"{README}{REFERENCE}")]
)
def test_every_command_shown_is_understood(line):
    """Words in capitals stand for a name of the reader's; the options are read all the same."""
    words = shlex.split(line.replace("\n", " "))[1:]
    given = parser().parse_args(words)
    assert callable(given.run)


@pytest.mark.parametrize("topic", re.findall(r"`\"([a-z ]+)\"`", README))
def test_every_topic_named_is_explained(topic, capsys):
    assert main(["explain", topic]) == 0
    assert len(capsys.readouterr().out) > 200


def test_the_code_shown_runs(tmp_path, monkeypatch):
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    monkeypatch.chdir(tmp_path)
    found: dict = {}
    exec(code.replace("audit(case", "audit(draws=400, case=case"), found)
    assert (tmp_path / "tables.xlsx").is_file()
    assert found["stricter"].rule.tolerance == 0.03
