"""The sources behind the rules, methods and codes of a result, as BibTeX."""

from __future__ import annotations

import re
from collections.abc import Iterable

STANDARD = (
    "Mintz, JACC 2001;37:1478-92",
    "DICOM PS3.3 A.51, Segmentation IOD; PS3.16, TID 3250 IVUS Report",
)
"""Behind every result: the definitions and the objects."""

_ARTICLE = re.compile(
    r"^(?P<author>[^,;]+), (?P<journal>[^;\d]+?) (?P<year>(?:19|20)\d\d);(?P<volume>[\w()]+):(?P<pages>[\w-]+)"
)


def bibliography(sources: Iterable[str]) -> str:
    """One entry per citation; a text that is no journal citation is kept whole as a note.

    Parameters
    ----------
    sources
        Texts as rules and methods carry them; several citations are separated by semicolons and a blank.
    """
    citations = sorted({part.strip() for source in sources for part in source.split("; ") if part.strip()})
    used: dict[str, int] = {}
    entries = []
    for citation in citations:
        match = _ARTICLE.match(citation)
        key = _key(match, citation)
        used[key] = used.get(key, 0) + 1
        label = key if used[key] == 1 else f"{key}-{used[key]}"
        entries.append(_article(label, match, citation) if match else _misc(label, citation))
    return "\n".join(entries)


def _key(match: re.Match[str] | None, citation: str) -> str:
    text = f"{match['author']}{match['year']}" if match else citation[:24]
    return re.sub(r"[^A-Za-z0-9]+", "", text).lower() or "source"


def _article(label: str, match: re.Match[str], citation: str) -> str:
    fields = {
        "author": f"{match['author']} and others",
        "journal": match["journal"],
        "year": match["year"],
        "volume": match["volume"],
        "pages": match["pages"].replace("-", "--"),
        "note": citation,
    }
    return _entry("article", label, fields)


def _misc(label: str, citation: str) -> str:
    return _entry("misc", label, {"note": citation})


def _entry(kind: str, label: str, fields: dict[str, str]) -> str:
    lines = [f"  {name} = {{{_escaped(value)}}}," for name, value in fields.items()]
    return "\n".join([f"@{kind}{{{label},", *lines, "}", ""])


def _escaped(text: str) -> str:
    return re.sub(r"([&%#_{}])", r"\\\1", text)
