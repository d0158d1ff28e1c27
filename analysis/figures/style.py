"""The look of all figures, and how they are written: same content, same bytes.

Colours are those of Okabe and Ito (2008, "Color Universal Design"), told apart with every kind of
colour vision; each colour also has its own marker, line or hatch, so that grey print still reads.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from shared.tables import write_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

BLACK = "#000000"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILION = "#D55E00"
PURPLE = "#CC79A7"
GREY = "#595959"
PALE = "#E8E8E8"

# One column of text is 6.5 in wide; type of 9 pt stays readable when the page shows it at 620 px.
WIDTH_IN = 6.9
FONT_PT = 9.0
SMALL_PT = 8.0
MARK_PT = 13.0
MARK_EVERY_IN = 2.2

_RC: dict[str, Any] = {
    "font.family": "sans-serif",
    # Verdana has the widths of DejaVu Sans, so that labels fit where the latter is missing.
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial", "sans-serif"],
    "font.size": FONT_PT,
    "axes.titlesize": FONT_PT,
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.labelsize": FONT_PT,
    "xtick.labelsize": SMALL_PT,
    "ytick.labelsize": SMALL_PT,
    "legend.fontsize": SMALL_PT,
    "legend.frameon": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.8,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": BLACK,
    "ytick.labelcolor": BLACK,
    "lines.linewidth": 1.5,
    "hatch.linewidth": 0.6,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    "svg.fonttype": "none",
    "svg.hashsalt": "landing-cohort",
    "axes.unicode_minus": True,
    "path.simplify": True,
}


@dataclass(frozen=True)
class Look:
    """How one group is drawn: colour, and a second mark that survives without colour."""

    colour: str
    marker: str
    line: str
    hatch: str


LIMBS = {
    "involved": Look(VERMILION, "o", "-", ""),
    "uninvolved": Look(BLUE, "D", "--", "////"),
    "both": Look(GREY, "s", ":", ".."),
}
SERIES = (
    Look(BLUE, "o", "-", ""),
    Look(VERMILION, "s", "--", "////"),
    Look(GREEN, "^", ":", ".."),
    Look(PURPLE, "D", "-.", "xx"),
    Look(BLACK, "v", (0, (5, 1, 1, 1, 1, 1)), "\\\\"),  # type: ignore[arg-type]
)


def new_figure(height_in: float, width_in: float = WIDTH_IN) -> Figure:
    """Return an empty figure in the project's style, drawn without a window."""
    import matplotlib as mpl

    mpl.use("Agg")
    mpl.rcdefaults()
    mpl.rcParams.update(_RC)  # type: ignore[arg-type]
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), layout="constrained")


def address(artist: Artist, ledger_id: str) -> None:
    """Mark a text of a figure as the printed number of a ledger row."""
    artist.set_gid(f"number:{ledger_id}")


def exempt(artist: Artist, kind: str) -> None:
    """Mark a text of a figure whose digits are no result (a class of `ledger.EXEMPT`)."""
    artist.set_gid(f"exempt:{kind}")


def _as_part_of_a_page(svg: str, name: str) -> str:
    # Several figures share one page: their ids must not meet, and no document type may stand
    # inside HTML. Comments repeat the text and would only add bytes.
    svg = re.sub(r"<\?xml.*?\?>|<!DOCTYPE.*?>|<!--.*?-->", "", svg, flags=re.DOTALL)
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'<g id="number:([^"]*)">', r'<g data-number="\1">', svg)
    svg = re.sub(r'<g id="exempt:([^"]*)">', r'<g data-exempt="\1">', svg)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = re.sub(r"url\(#", f"url(#{name}-", svg)
    svg = re.sub(r'href="#', f'href="#{name}-', svg)
    return re.sub(r"[ \t]+\n|\n\s*\n", "\n", svg).strip() + "\n"


def as_svg(figure: Figure, name: str) -> str:
    """Return a figure as a part of a page; `name` sets its ids apart from those of others."""
    import io

    stream = io.StringIO()
    nothing = dict.fromkeys(("Date", "Creator", "Format", "Type"))
    figure.savefig(stream, format="svg", metadata=nothing)
    return _as_part_of_a_page(stream.getvalue(), name)


def _draw_mark(figure: Figure, mark: str) -> None:
    """Write the mark of a blinded run across a figure, pale, over all that is drawn."""
    width, height = figure.get_size_inches()
    size = min(MARK_PT, MARK_PT * height)
    # One line for each stretch of paper, so that a part that is cut out shows it too.
    lines = max(1, round(height / MARK_EVERY_IN))
    angle = math.degrees(math.atan2(min(0.8, 0.5 * height), width))
    for line in range(lines):
        text = figure.text(
            0.5, (line + 0.5) / lines, mark, ha="center", va="center", rotation=angle,
            fontsize=size, color=VERMILION, alpha=0.25, zorder=100, fontweight="bold",
        )  # fmt: skip
        text.set_in_layout(False)
        exempt(text, "setting")


def save(figure: Figure, data: pd.DataFrame, *, svg: Path, png: Path, csv: Path, mark: str) -> None:
    """Write a figure as SVG and PNG and its data as CSV; no clock, no program name in the bytes.

    `mark` says on the figure and beside each row that a run is blinded; '' in a true run.
    """
    if mark:
        _draw_mark(figure, mark)
        data = data.assign(blinded=mark)
    write_text(as_svg(figure, svg.stem), svg)
    figure.set_layout_engine(None)  # the picture keeps the places that the drawing has settled
    temporary = png.with_name(f".{png.name}.part")
    png.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(
        temporary,
        format="png",
        dpi=200,
        metadata={"Software": None} | ({"Description": mark} if mark else {}),
    )
    temporary.replace(png)
    write_text(data.to_csv(index=False, lineterminator="\n"), csv)


def say_not_drawn(reason: str) -> Figure:
    """Return a small figure that says why there is nothing to draw."""
    figure = new_figure(0.9)
    figure.text(0.5, 0.5, reason, ha="center", va="center", color=GREY, wrap=True)
    return figure
