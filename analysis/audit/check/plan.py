"""Are the settings those of the frozen plan, and is the frozen plan whole?"""

from __future__ import annotations

import json
from collections.abc import Iterator

from analysis.audit.check.finding import Files, Finding
from shared.freeze import FILE, status_of
from shared.provenance import hash_of_settings


def frozen_plan(files: Files) -> Iterator[Finding]:
    """Settings against the frozen plan, and its hash against its content."""
    settings = files.study.settings
    status = status_of(settings)
    for line in status.differences if status.stops_a_run else ():
        yield Finding(f"settings: {line}", "changed after the plan was frozen", "as frozen")
    file = settings.folder / FILE
    if not file.is_file():
        return
    frozen = json.loads(file.read_text(encoding="utf-8"))
    if hash_of_settings(frozen["content"]) != frozen["hash"]:
        yield Finding(FILE, "content that is not the one that was hashed", frozen["hash"])
    report = files.results / "report" / "report.html"
    shown = report.read_text(encoding="utf-8") if report.is_file() else ""
    if 'id="plan"' in shown and status.hash not in shown:
        yield Finding("report/report.html", "another hash of the plan", status.hash)
