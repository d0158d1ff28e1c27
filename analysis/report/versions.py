"""The software that made the results, by name and version."""

from __future__ import annotations

import platform
from importlib.metadata import version

PACKAGES = (
    "snakemake",
    "numpy",
    "scipy",
    "pandas",
    "pyarrow",
    "lifelines",
    "statsmodels",
    "matplotlib",
    "jinja2",
    "pydantic",
    "pint",
    "ezc3d",
)


def software_versions() -> list[tuple[str, str]]:
    """Return (name, version) of Python, of this project and of the libraries that it uses."""
    return [
        ("Python", platform.python_version()),
        ("landing-cohort (this pipeline)", version("landing-cohort")),
        *((name, version(name)) for name in PACKAGES),
    ]
