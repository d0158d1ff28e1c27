"""Every row of the outside check values, compared number by number.

The rows stand in `statistics.json` of the folder `shared` beside the project: R 4.2.2 with the
packages that `STATISTICS.md` of that folder names. Each module holds the rows of some scripts.
"""

from collections.abc import Callable

from tests.published.reference_rows import (
    competing,
    cox,
    curves,
    measurement_error,
    mixed,
    reliability,
    sizes,
    splines,
)
from tests.published.reference_rows.row import ReferenceRow

ROWS: dict[str, Callable[[ReferenceRow], None]] = {
    **cox.ROWS,
    **curves.ROWS,
    **competing.ROWS,
    **mixed.ROWS,
    **reliability.ROWS,
    **measurement_error.ROWS,
    **sizes.ROWS,
    **splines.ROWS,
}

__all__ = ["ROWS", "ReferenceRow"]
