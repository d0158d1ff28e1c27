"""MATLAB files up to version 7: named arrays, each a vector of one column of the recording."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.readers.recording import Header, RawColumns, Samples
from pipeline.readers.refusals import column_problems, unreadable, wanted_columns
from shared.errors import Problem, StudyError, refusal
from shared.settings.device import DeviceProfile


def _unreadable(file: str, found: str) -> StudyError:
    return unreadable(
        file,
        "a MATLAB file of version 5 to 7",
        "save it again with save(..., '-v7'), or correct the format in the device profile",
        found,
    )


def _opened(source: Any, file: str, reader: Any, **options: Any) -> Any:
    """Call a reader of scipy; whatever a broken file makes it raise becomes one clear refusal."""
    from scipy.io.matlab import MatReadError

    try:
        return reader(source, **options)
    except NotImplementedError as error:
        raise _unreadable(file, "a MATLAB file of version 7.3 (HDF5)") from error
    except (MatReadError, ValueError, TypeError, EOFError, OSError, KeyError) as error:
        raise _unreadable(file, "bytes that are not a whole MATLAB file") from error
    except Exception as error:
        # zlib errors of cut-off variables have no common base class with the others.
        raise _unreadable(file, "a variable that cannot be unpacked") from error


def read_header(
    path: Path,
    profile: DeviceProfile,  # noqa: ARG001  same form for every format
    file: str,
) -> Header:
    """Return the names of the arrays and the free text that the format carries."""
    from scipy.io import whosmat

    variables = _opened(path, file, whosmat)
    with path.open("rb") as stream:
        # The first 116 bytes are free text by the format; its tail is the date of writing,
        # which MATLAB itself puts there: not about a person, so only the text before it counts.
        text = stream.read(116).decode("latin-1").split(", Created on:")[0].strip("\0 ")
    names = tuple(name for name, _, _ in variables)
    return Header(names, {}, (("header text", text),))


def _vector(value: Any, column: str, file: str) -> Samples | Problem:
    array = np.asarray(value)
    is_vector = array.ndim == 1 or (array.ndim == 2 and 1 in array.shape) or array.size == 0
    if array.dtype.kind in "fiu" and is_vector:
        return array.ravel().astype(np.float64)
    return refusal(
        "text_in_number_column" if array.dtype.kind not in "fiu" else "not_a_vector",
        file,
        column=column,
        found=f"an array of shape {array.shape} and type {array.dtype.name}",
        expected="a vector of numbers",
        mend="save each channel as its own vector",
    )


def _length_problem(columns: dict[str, Samples], file: str) -> Problem | None:
    lengths = {name: array.size for name, array in columns.items()}
    if len(set(lengths.values())) < 2:
        return None
    usual = max(lengths.values())
    odd = next(name for name, length in lengths.items() if length != usual)
    return refusal(
        "wrong_number_of_cells",
        file,
        column=odd,
        found=f"{lengths[odd]} samples",
        expected=f"{usual} samples, as in the other arrays",
        mend="save vectors of equal length",
    )


def read_columns(content: bytes, profile: DeviceProfile, file: str) -> RawColumns:
    """Return the arrays that the profile names, as float64 vectors.

    Raises
    ------
    StudyError
        Not a MATLAB file up to version 7, missing array, array that is no vector of numbers,
        arrays of unequal length.
    """
    from scipy.io import loadmat, whosmat

    names = [name for name, _, _ in _opened(BytesIO(content), file, whosmat)]
    if problems := column_problems(profile, names, file):
        raise StudyError(problems)
    wanted = wanted_columns(profile, names)
    arrays = _opened(BytesIO(content), file, loadmat, variable_names=wanted)
    vectors = {name: _vector(arrays[name], name, file) for name in wanted}
    problems = [item for item in vectors.values() if isinstance(item, Problem)]
    columns = {name: item for name, item in vectors.items() if not isinstance(item, Problem)}
    if not problems and (odd := _length_problem(columns, file)):
        problems = [odd]
    if problems:
        raise StudyError(problems)
    return RawColumns(columns, {}, None, 1)
