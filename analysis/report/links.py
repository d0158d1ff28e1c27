"""Each printed number of a page as a link to its place on the audit page, and the way back."""

from __future__ import annotations

import re

AUDIT_PAGE = "audit.html"

_NUMBER = re.compile(r'<span class="number" data-number="([^"]*)">([^<]*)</span>')
_ADDRESS = re.compile(r'data-number="([^"]*)"')


def place_address(place: str) -> str:
    """Return the address, on the audit page, of the list of numbers of one place."""
    return f"place-{place}"


def linked(page: str) -> str:
    """Return a page whose numbers lead to the audit page, by the address in the ledger.

    The first of equal numbers takes that address as its own, so that the audit page leads back to
    it. The page's script (keyboard.js) makes each table or text one stop of the Tab key, because
    thousands would bury all others. Numbers inside drawings stay as they are: a drawing is one
    image to a screen reader, and may hold no links; the caption leads to the list of its numbers.
    """
    seen: set[str] = set()

    def link(match: re.Match[str]) -> str:
        address, display = match[1], match[2]
        own = "" if address in seen else f'id="{address}" '
        seen.add(address)
        return (
            f'<a class="number" {own}href="{AUDIT_PAGE}#{address}" data-number="{address}">'
            f"{display}</a>"
        )

    return _NUMBER.sub(link, page)


def linked_within(page: str) -> str:
    """Return the audit page with the numbers of its tables leading to their entries below."""
    return _NUMBER.sub(r'<a class="number" href="#\1" data-number="\1">\2</a>', page)


def shown_on(page: str) -> set[str]:
    """Return the addresses of all numbers that a page shows."""
    return set(_ADDRESS.findall(page))
