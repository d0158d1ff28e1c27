"""Tables of the report as LaTeX, to be pasted into a manuscript (packages booktabs and array)."""

from __future__ import annotations

import re

_SPECIAL = {
    "\\": r"\textbackslash{}",
    "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{", "}": r"\}",
    "~": r"\textasciitilde{}", "^": r"\textasciicircum{}",
    "<": r"\textless{}", ">": r"\textgreater{}",
    "\u2212": r"\ensuremath{-}", "\u00d7": r"\ensuremath{\times}", "\u221e": r"\ensuremath{\infty}",
    "\u00b7": r"\ensuremath{\cdot}", "\u00b5": r"\textmu{}", "\u00b0": r"\textdegree{}",
    "\u00b2": r"\textsuperscript{2}", "\u00a0": "~", "\u202f": r"\,", "\u2011": "-",
    "\u2003": r"\quad{}", "\u2264": r"\ensuremath{\leq}", "\u2265": r"\ensuremath{\geq}",
}  # fmt: skip


def escaped(text: str) -> str:
    """Return text as LaTeX prints it."""
    return "".join(_SPECIAL.get(letter, letter) for letter in text)


def as_latex(
    name: str, title: str, columns: list[str], rows: list[list[str]], notes: list[str]
) -> str:
    """Return a table as a LaTeX float.

    Parameters
    ----------
    name : word for the label, `tab:name`
    rows : cells as text; a row with one cell heads the rows that follow
    """
    width = len(columns)
    lines = [
        r"% needs \usepackage{booktabs}",
        r"\begin{table}",
        rf"\caption{{{escaped(title)}}}",
        rf"\label{{tab:{re.sub('[^a-z0-9]+', '-', name)}}}",
        rf"\begin{{tabular}}{{{'l' + 'r' * (width - 1)}}}",
        r"\toprule",
        " & ".join(escaped(column) for column in columns) + r" \\",
        r"\midrule",
    ]
    for row in rows:
        if len(row) == 1:
            lines.append(rf"\multicolumn{{{width}}}{{l}}{{\textbf{{{escaped(row[0])}}}}} \\")
        else:
            lines.append(" & ".join(escaped(cell) for cell in row) + r" \\")
    lines += [r"\bottomrule", r"\end{tabular}"]
    lines += [rf"\par\smallskip\footnotesize {escaped(note)}" for note in notes]
    return "\n".join([*lines, r"\end{table}", ""])
