"""Finishing touches of a page: what may stay in it, addresses, contents, numbered figures."""

from __future__ import annotations

import re
from typing import Any

from bs4 import BeautifulSoup, Comment, Tag

from sewer_audit.errors import ReportFailed
from sewer_audit.report.folder.printed import PRINTED
from sewer_audit.sources import SAID, register

NEVER = ("script", "iframe", "object", "embed", "form", "input", "button", "base", "link", "style")
NEVER += ("audio", "video", "template", "noscript", "frame", "frameset", "applet", "portal")
ADDRESSES = ("src", "srcset", "data", "poster", "background", "action", "formaction", "xlink:href")
HREF = re.compile(rf"#|https?://|mailto:|{re.escape(PRINTED)}#f\d+$")
NO_TEXT = "No description has been provided"  # what nbconvert fills in where there is none
LONG_TABLE, WORDY_TABLE = 14, 1200
"""Rows, or letters, above which a table may go on on the next sheet of paper [-]."""
TOGETHER = re.compile(
    r"(?<=\d) (?=(?:%|kgal|gpm|gal|CCF|mm|cm|m3|ft|degF|degC)(?!\w))|(?<=\b[A-Z]{3}) (?=[\d\u2212])"
)
"""A figure and its unit, a currency and its amount: never parted at the end of a line [-]."""
WIDE_TABLE = 9
FEW_CHAPTERS = 8
"""A page with fewer chapters is printed closely and without contents [-]."""


def finish_page(page: str) -> str:
    """Clean a page and give it contents, addresses and numbers."""
    soup = BeautifulSoup(page, "html.parser")
    main = soup.find("main")
    if main is None:
        raise ReportFailed("the page has no body; the template is incomplete")
    _clean(main)
    _list_sources(soup, main)
    _address_headings(main)
    _box_tables(soup, main)
    _keep_together(main)
    _number(soup, main, "picture", "Figure")
    _number(soup, main, "table", "Table")
    _link_sources(main)
    _contents(soup, main)
    heading = main.find("h1")
    title = soup.find("title")
    if title is not None:
        title.string = heading.get_text(" ", strip=True) if heading else "Evidence"
    return str(soup)


def _clean(main: Tag) -> None:
    for comment in main.find_all(string=lambda text: isinstance(text, Comment)):
        comment.extract()
    for element in main.find_all(NEVER):
        element.decompose()
    for element in main.find_all(True):
        for name in list(element.attrs):
            value = str(element.attrs[name])
            if name.lower().startswith("on") or "url(" in value.lower().replace(" ", ""):
                del element.attrs[name]
            elif name.lower() in ADDRESSES and not value.startswith("data:image/"):
                raise ReportFailed(f"the page would load {value[:60]!r}; evidence loads nothing")
            elif name.lower() == "href" and not HREF.match(value):
                del element.attrs[name]
        alt = str(element.get("alt", "")).strip()
        if element.name == "img" and (not alt or alt.startswith(NO_TEXT)):
            raise ReportFailed("a picture has no alternative text")


def _list_sources(soup: BeautifulSoup, main: Tag) -> None:
    """Citations in tables become numbers with their grade; each stands once, at the end."""
    known = {str(each): each for each in register().values() if each.grade in SAID}
    printed = re.compile("|".join(re.escape(each) for each in sorted(known, key=len, reverse=True)))
    cited: dict[str, int] = {}
    for text in [each for cell in main.find_all("td") for each in cell.find_all(string=printed)]:
        left = str(text)
        for said in printed.findall(left):
            number = cited.setdefault(said, len(cited) + 1)
            before, left = left.split(said, 1)
            link = soup.new_tag("a", attrs={"href": f"#source-{number}"})
            grade = known[said].grade
            link.string = f"source {number}" + ("" if grade == "read" else f" ({SAID[grade]})")
            text.insert_before(before, link)
        text.replace_with(left)
    if not cited:
        return
    heading = soup.new_tag("h2")
    heading.string = "Appendix: sources"
    listed = soup.new_tag("ol", attrs={"class": "sources"})
    for said in cited:
        item = soup.new_tag("li")
        item.string = ", ".join(part for part in (said, known[said].address) if part)
        listed.append(item)
    main.extend([heading, listed])


def _link_sources(main: Tag) -> None:
    """The numbers of sources lead to the list of them."""
    for number, item in enumerate(main.select("ol.sources > li"), start=1):
        item["id"] = f"source-{number}"


def _slug(text: str) -> str:
    words = re.findall(r"[a-z0-9]+", text.lower())
    return "-".join(words[:8]) or "part"


def _address_headings(main: Tag) -> None:
    for element in main.find_all(True, id=True):
        del element.attrs["id"]
    used: set[str] = set()
    for heading in main.find_all(["h1", "h2", "h3", "h4"]):
        base = address = _slug(heading.get_text(" "))
        number = 2
        while address in used:
            address, number = f"{base}-{number}", number + 1
        used.add(address)
        heading["id"] = address


def _box_tables(soup: BeautifulSoup, main: Tag) -> None:
    for figure in main.find_all("figure"):
        if figure.find("img"):
            figure["class"] = ["picture"]
    for table in main.find_all("table"):
        for attribute in ("border", "style"):
            table.attrs.pop(attribute, None)
        rows = table.find_all("tr")
        widest = max((len(row.find_all(["td", "th"])) for row in rows), default=0)
        table["class"] = ["wide"] if widest > WIDE_TABLE else []
        figure = soup.new_tag("figure")
        long = len(rows) > LONG_TABLE or len(table.get_text()) > WORDY_TABLE
        figure["class"] = ["table", "long"] if long else ["table"]
        caption = table.find("caption")
        words = caption.get_text(" ", strip=True) if caption else ""
        table.replace_with(figure)
        if caption is not None:
            caption.name = "figcaption"
            figure.append(caption.extract())
        box = soup.new_tag("div", attrs={"class": "scroll", "tabindex": "0", "role": "region"})
        box["aria-label"] = words or "Table"
        box.append(table)
        figure.append(box)


def _keep_together(main: Tag) -> None:
    """No figure without its unit at the end of a line."""
    for text in main.find_all(string=TOGETHER):
        if not any(each.name in ("code", "pre", "svg", "style") for each in text.parents):
            text.replace_with(TOGETHER.sub("\N{NO-BREAK SPACE}", text))


def _number(soup: BeautifulSoup, main: Tag, kind: str, word: str) -> None:
    number = 0
    for figure in main.find_all("figure", class_=kind):
        caption = figure.find("figcaption")
        if caption is None or not caption.get_text(strip=True):
            continue
        number += 1
        label = soup.new_tag("b")
        label.string = f"{word} {number}."
        caption.insert(0, label)
        label.insert_after(" ")


def _contents(soup: BeautifulSoup, main: Tag) -> None:
    """A list of the headings, set before the second part so that the first page stays first."""
    nav: Any = soup.find("nav")
    parts = main.find_all(["h2", "h3"])
    if nav is None or not parts:
        return
    nav.extract()
    head = soup.new_tag("p")
    head.string = "Contents"
    top = soup.new_tag("ol")
    nav.extend([head, top])
    inner = None
    for part in parts:
        item, link = soup.new_tag("li"), soup.new_tag("a", attrs={"href": f"#{part['id']}"})
        link.string = part.get_text(" ", strip=True)
        item.append(link)
        if part.name == "h2" or not top.find("li", recursive=False):
            top.append(item)
            inner = None
            continue
        if inner is None:
            inner = soup.new_tag("ol")
            top.find_all("li", recursive=False)[-1].append(inner)
        inner.append(item)
    chapters = main.find_all("h2")
    if len(chapters) < FEW_CHAPTERS:
        main["class"] = ["few"]
    (chapters[1] if len(chapters) > 1 else parts[0]).insert_before(nav)
