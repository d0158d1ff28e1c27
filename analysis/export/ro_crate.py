"""Export a run as a research object (RO-Crate 1.1) without any data of participants.

`python -m analysis.export.ro_crate --settings config --to FOLDER` puts the shareable edition of the
report, the settings that made it, the pinned environment and the description of the tables (not the
tables) into one folder, with `ro-crate-metadata.json` saying what each file is.

Source: RO-Crate Metadata Specification 1.1, https://w3id.org/ro/crate/1.1.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

from analysis.report.shareable import edition_date
from shared.blinding import mark_of, stop_if_other_kind
from shared.errors import StudyError, stops
from shared.freeze import FILE as FROZEN
from shared.freeze import status_of
from shared.provenance import sha256_of_file
from shared.settings.load import load_settings, with_blinding
from shared.sources import ROOT
from shared.tables import write_text

METADATA = "ro-crate-metadata.json"
CONTEXT = "https://w3id.org/ro/crate/1.1/context"
CONFORMS_TO = "https://w3id.org/ro/crate/1.1"
_SOFTWARE = "#landing-cohort"
_RUN = "#run"
_TERMS = "#terms"
_TEAM = "#team"

KINDS = {
    ".html": ("text/html", "page"),
    ".csv": ("text/csv", "table or data of a figure"),
    ".tex": ("application/x-tex", "table for a manuscript"),
    ".docx": (
        "application/vnd.openxmlformats-officedocument.wordprocessingml.document",
        "tables for a manuscript",
    ),
    ".svg": ("image/svg+xml", "figure"),
    ".png": ("image/png", "figure"),
    ".yaml": ("application/yaml", "settings"),
    ".json": ("application/json", "description"),
    ".txt": ("text/plain", "pinned environment"),
    ".parquet": ("application/vnd.apache.parquet", "table"),
}
"""Ending of a file -> media type and what it is."""

SHARED = {".html", ".csv", ".tex", ".docx", ".svg", ".png", ".json"}
"""Endings of the files that an edition may hold."""


def _file(path: Path, folder: Path) -> dict[str, Any]:
    media, kind = KINDS[path.suffix]
    return {
        "@id": path.relative_to(folder).as_posix(),
        "@type": "File",
        "name": f"{path.stem.replace('_', ' ')}: {kind}",
        "encodingFormat": media,
        "contentSize": str(path.stat().st_size),
        "sha256": sha256_of_file(path),
    }


def _named(entity: str) -> dict[str, str]:
    return {"@id": entity}


def describe_crate(folder: Path, title: str, question: str, date: str) -> dict[str, Any]:
    """Return the metadata of all files below a folder, sorted; no clock and no place enters.

    Parameters
    ----------
    folder : the crate
    title, question : of the study
    date : ISO date of publication, from the settings

    Raises
    ------
    KeyError
        A file is of a kind that a crate does not hold.
    """
    files = [
        _file(path, folder)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.name != METADATA
    ]
    parts = [_named(item["@id"]) for item in files]
    results = [_named(item["@id"]) for item in files if item["@id"].startswith("report/")]
    inputs = [_named(item["@id"]) for item in files if item["@id"].startswith("settings/")]
    graph: list[dict[str, Any]] = [
        {
            "@id": METADATA,
            "@type": "CreativeWork",
            "conformsTo": _named(CONFORMS_TO),
            "about": _named("./"),
        },
        {
            "@id": "./",
            "@type": "Dataset",
            "name": title,
            "description": f"{question}. Shareable edition of the report, with the settings that "
            "made it; it holds no data of participants.",
            "datePublished": date,
            "license": _named(_TERMS),
            "author": _named(_TEAM),
            "hasPart": parts,
            "mentions": _named(_RUN),
        },
        {
            "@id": _TERMS,
            "@type": "CreativeWork",
            "name": "Terms of use",
            "description": "The study team has to state them before it passes the crate on.",
        },
        {"@id": _TEAM, "@type": "Organization", "name": "The study team"},
        {
            "@id": _SOFTWARE,
            "@type": "SoftwareApplication",
            "name": "landing-cohort",
            "version": version("landing-cohort"),
            "license": "https://spdx.org/licenses/BSD-3-Clause",
        },
        {
            "@id": _RUN,
            "@type": "CreateAction",
            "name": "Run of the pipeline from the raw recordings to the report",
            "instrument": _named(_SOFTWARE),
            "object": inputs,
            "result": results,
        },
    ]
    return {"@context": CONTEXT, "@graph": [*graph, *files]}


def _copy(files: dict[str, Path], folder: Path) -> None:
    for target, source in files.items():
        (folder / target).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(source, folder / target)


def files_of_crate(results: Path, settings: Path) -> dict[str, Path]:
    """Return the files of a crate: place in the crate -> file.

    Raises
    ------
    StudyError
        The run has no shareable edition, or the edition holds a file that it should not.
    """
    edition = results / "report" / "shareable"
    found = {
        f"report/{path.relative_to(edition).as_posix()}": path
        for path in sorted(edition.rglob("*"))
        if path.is_file() and not path.name.startswith(".")
    }
    problems = []
    if "report/report.html" not in found:
        problems.append(
            stops(
                "no_edition",
                edition.name,
                found="no report.html",
                expected="the shareable edition of a finished run",
                mend="run the study first: make study",
            )
        )
    problems += [
        stops(
            "unexpected_file",
            path.name,
            found=f"a file {path.suffix or path.name}",
            expected=f"only {', '.join(sorted(SHARED))}",
            mend="remove it, or run the study again",
        )
        for path in found.values()
        if path.suffix not in SHARED
    ]
    if problems:
        raise StudyError(problems)
    found |= {
        f"settings/{name}": settings / name
        for name in ("study.yaml", "plan.yaml", "processing.yaml", FROZEN)
        if (settings / name).is_file()
    }
    found |= {
        f"settings/devices/{path.name}": path for path in sorted(settings.glob("devices/*.yaml"))
    }
    found["environment/requirements.txt"] = ROOT / "config/environment/requirements.txt"
    description = results / "tables" / "datapackage.json"
    if description.is_file():
        found["tables/datapackage.json"] = description
    return found


def export_crate(settings: Path, folder: Path, blinding_seed: int | None = None) -> Path:
    """Write the crate of a finished run to an empty or new folder; return its metadata file.

    The crate is that of the blinded run where a seed is given or study.yaml names one.

    Raises
    ------
    StudyError
        The run is not finished, or the folder holds something already.
    """
    loaded = with_blinding(load_settings(settings), blinding_seed)
    study = loaded.study.model_dump(mode="json")
    stop_if_other_kind(loaded.results_folder, study)
    if folder.exists() and any(folder.iterdir()):
        raise StudyError(
            stops(
                "folder_in_use",
                folder.name,
                found="a folder that holds files",
                expected="a new or empty folder",
                mend="name another folder with --to",
            )
        )
    _copy(files_of_crate(Path(loaded.results_folder), settings), folder)
    date = edition_date(study, status_of(loaded).as_dict())
    words = mark_of(study)
    title, question = (
        f"{words}. {text}" if words else text for text in (study["title"], loaded.plan.question)
    )
    crate = describe_crate(folder, title, question, date)
    write_text(json.dumps(crate, indent=1, ensure_ascii=False) + "\n", folder / METADATA)
    return folder / METADATA


def main(arguments: list[str] | None = None) -> int:
    """Run the command; return the exit status."""
    parser = argparse.ArgumentParser(description="Export a run as an RO-Crate without raw data.")
    parser.add_argument("--settings", type=Path, default=Path("config"), help="settings folder")
    parser.add_argument("--to", type=Path, required=True, help="new folder for the crate")
    parser.add_argument("--blinded", type=int, metavar="SEED", help="the blinded run of that seed")
    chosen = parser.parse_args(arguments)
    try:
        print(export_crate(chosen.settings, chosen.to, chosen.blinded))
    except StudyError as error:
        print(error.render(), file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
