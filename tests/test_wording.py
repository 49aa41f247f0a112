"""Every sentence of the wording room renders, somebody says it, and nothing it needs is missing."""

from __future__ import annotations

import ast
import re
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

import sewer_audit
from sewer_audit.wording import KINDS, Words
from sewer_audit.wording.templates import SUBJECTS, fields_of, render, template

PACKAGE = Path(sewer_audit.__file__).parent
CODE = re.compile(rf"({'|'.join(SUBJECTS)})(\.\w+)+")
WORDS = Words("kgal", "gpm", "in", "USD", ZoneInfo("America/Chicago"), 0.95)
SHARED = set(WORDS._shared)
INVENTED = {
    "volumes": (3000.0, 4000.0),
    "moneys": (10.0, 20.0),
    "day": pd.Timestamp("2025-06-27 22:40", tz="America/Chicago"),
    **{kind: ["first", "second", "third"] for kind in ("list", "rows", "text")},
    **dict.fromkeys(("finding", "capital", "sentence"), "billed volume too high"),
}
FILES = {path: ast.parse(path.read_text()) for path in sorted(PACKAGE.rglob("*.py"))}


def leaves(table, code):
    for name, each in table.items():
        if isinstance(each, dict):
            yield from leaves(each, f"{code}.{name}")
        else:
            yield f"{code}.{name}", each


TEMPLATES = dict(leaf for subject in SUBJECTS for leaf in leaves(template(subject), subject))


def invented(kinds: set[str]):
    kind = next((each for each in sorted(kinds) if each != "?"), "?")
    name = kind.partition(".")[0]
    if name in INVENTED:
        return INVENTED[name]
    if "|" in kind or kind.endswith("d"):
        return 2
    return 0.4 if kind and kind != "?" else "something"


@pytest.mark.parametrize("code", [code for code in TEMPLATES if not code.startswith("grammar.")])
def test_a_template_renders_with_and_without_what_it_can_do_without(code):
    text = TEMPLATES[code]
    fields = fields_of(text)
    values = {name: invented(kinds) for name, kinds in fields.items() if name not in SHARED}
    full = WORDS(code, **values)
    bare = WORDS(code, **{n: None if "?" in fields[n] else v for n, v in values.items()})
    for said in (full, bare):
        assert not re.search(r"\[\[\w+\?|\|\||\{\w|  |nan", said), said
    assert ("?" in {kind for kinds in fields.values() for kind in kinds}) == (full != bare)


def test_what_is_missing_is_refused():
    with pytest.raises(KeyError):
        WORDS("brief.answers.sure", claim=True)
    with pytest.raises(KeyError):
        WORDS("brief.answers.surely")
    with pytest.raises(ValueError, match="nvalid format"):
        render("{x:furlongs}", {"x": 1.0}, WORDS.written)


def said_in_code():
    """Every code in the package with the node that holds it; a part of one ends with a dot."""
    for path, tree in FILES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.JoinedStr) and isinstance(node.values[0], ast.Constant):
                text = str(node.values[0].value)
            elif isinstance(node, ast.Constant) and isinstance(node.value, str):
                text = node.value
            else:
                continue
            if CODE.fullmatch(text.rstrip(".")) or (text.rstrip(".") in SUBJECTS and "." in text):
                yield path, text


def test_every_code_of_the_package_is_a_template_and_every_template_is_said():
    used = set()
    for path, code in said_in_code():
        try:
            found = template(code.rstrip("."))
        except (KeyError, TypeError):
            raise AssertionError(
                f"{path.name} says {code!r}, which no file of words holds"
            ) from None
        whole = dict(leaves(found, code.rstrip("."))) if isinstance(found, dict) else {code: found}
        used |= set(whole)
    assert not set(TEMPLATES) - used, "sentences that nobody says"
    assert len(used) > 20


def test_a_call_gives_a_template_the_names_it_takes():
    wrong, seen = [], 0
    for path, tree in FILES.items():
        for node in ast.walk(tree):
            if not isinstance(node, ast.Call):
                continue
            codes = [a.value for a in node.args[:2] if isinstance(a, ast.Constant)]
            codes = [c for c in codes if isinstance(c, str) and isinstance(TEMPLATES.get(c), str)]
            if not codes or any(each.arg is None for each in node.keywords):
                continue
            seen += 1
            given = {each.arg for each in node.keywords} - {"safe"}
            taken = set(fields_of(TEMPLATES[codes[0]])) - SHARED
            if given != taken and Path(path).parent.name != "wording":
                wrong.append(f"{path.name}:{node.lineno} {codes[0]}: {sorted(given ^ taken)}")
    assert not wrong, "\n".join(wrong)
    assert seen > 10


def test_a_template_chooses_and_counts():
    def said(text, **values):
        return render(text, values, WORDS.written)

    bills = "{n:# bill is|# bills are} wrong[[sum?, by {sum:whole}[[low? at least||, exactly]]]]."
    assert said(bills, n=1, sum=5.4, low=None) == "1 bill is wrong, by USD 5, exactly."
    assert said(bills, n=1200, sum=0, low=None) == "1,200 bills are wrong."
    assert said(bills, n=2, sum=float("nan"), low=1) == "2 bills are wrong."
    assert said("{who:list}", who=["A", "B", "C"]) == "A, B and C"
    assert said("{x}", x="[[y?{z}]]") == "[[y?{z}]]"  # what is told is not read as a template
    assert said("{day}", day=date(2026, 1, 2)) == "2026-01-02"


def test_figures_are_in_the_units_of_the_case():
    metric = Words("m3", "m3/h", "mm", "EUR", ZoneInfo("Europe/Brussels"), 0.9)
    text = "{v:volume}, {x:length}, {m:money}, {s:share.0}"
    values = {"v": 3785.411784, "x": 0.00254, "m": -3, "s": 0.074}
    told = (render(text, values, words.written) for words in (WORDS, metric))
    assert next(told) == "1,000 kgal, 0.1 in, USD −3.00, 7 %"
    assert next(told) == "3,785 m3, 2.54 mm, EUR −3.00, 7 %"
    table = metric.frame("brief.steps.heads", {"step": ["a"], "width": [2.0]})
    assert list(table) == ["step", "width [m3]"]


def test_every_kind_of_figure_is_used():
    kinds = {
        kind.partition(".")[0]
        for t in TEMPLATES.values()
        for k in fields_of(t).values()
        for kind in k
    }
    assert not set(KINDS) - kinds
