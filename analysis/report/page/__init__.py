"""The pages: templates, style, script; and the function that puts the content into them."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from shared.blinding import mark_of

_FOLDER = Path(__file__).parent
# The browser itself then keeps the page from asking for anything outside.
_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; "
    "base-uri 'none'; form-action 'none'"
)


def stamps_of(study: Mapping[str, Any]) -> dict[str, Any]:
    """Return what every page says of its study: title, edition, demo or not, blinded or not."""
    return {
        "title": study["title"],
        "blinded": mark_of(study),
        "edition": study["edition"],
        "is_demo": study["demo"] is not None,
    }


def render(template: str, content: dict[str, Any]) -> str:
    """Return a page as one HTML text; a name that is missing in `content` is an error.

    Every page is made here, so that none of a blinded run (`content["blinded"]`, its mark) can be
    without its mark; '' in a true run.
    """
    environment = Environment(
        loader=FileSystemLoader(_FOLDER),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    style = Markup((_FOLDER / "style.css").read_text(encoding="utf-8"))
    keyboard = Markup((_FOLDER / "keyboard.js").read_text(encoding="utf-8"))
    page = environment.get_template(template).render(
        style=style, keyboard=keyboard, policy=_POLICY, **content
    )
    if not content["blinded"]:
        return page
    marks = environment.get_template("blinded.jinja").module
    return _with_marks(page, str(marks.head()), str(marks.body(content["blinded"])))  # type: ignore[attr-defined]


def _with_marks(page: str, head: str, body: str) -> str:
    for place, text in (("<title>", "<title>BLINDED: "), ("</head>", f"{head}</head>"),
                        ("<body>", f"<body>{body}")):  # fmt: skip
        if page.count(place) != 1:
            raise ValueError(f"a page has {place} {page.count(place)} times, expected once")
        page = page.replace(place, text)
    return page
