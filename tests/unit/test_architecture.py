"""Who may import whom, and that step sources follow imports."""

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from shared.sources import ROOT, sources_of

ALLOWED = {
    "shared": {"shared"},
    "pipeline": {"pipeline", "shared"},
    "analysis": {"analysis", "shared"},
}


def imported_packages(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add((node.module or "").split(".")[0])
    return found & set(ALLOWED)


@pytest.mark.parametrize("package", sorted(ALLOWED))
def test_package_imports_only_what_it_may(package):
    files = sorted((ROOT / package).rglob("*.py"))
    assert files
    for file in files:
        if package == "analysis" and "audit" in file.relative_to(ROOT).parts:
            continue  # the second opinion may read a raw recording again
        strange = imported_packages(file) - ALLOWED[package]
        assert not strange, f"{file.relative_to(ROOT)} imports {sorted(strange)}"


def test_heavy_libraries_stay_out_of_extraction():
    """They cost about a second per process (measured; see DEVELOPERS.md)."""
    script = (
        "import sys, pipeline.extraction.shard\n"
        "print([m for m in ('statsmodels','lifelines','seaborn','matplotlib') if m in sys.modules])"
    )
    shown = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert shown.stdout.strip() == "[]"


def test_sources_follow_imports_and_take_data_files_along():
    names = {path.relative_to(ROOT).as_posix() for path in sources_of("shared.schemas:schemas")}
    assert {"shared/schemas.py", "shared/table_schemas.yaml"} <= names
    assert "shared/tables.py" not in names
    names = {path.relative_to(ROOT).as_posix() for path in sources_of("shared.tables:write_table")}
    assert "shared/schemas.py" in names


def test_every_step_named_by_a_rule_exists():
    from shared.step import load_step

    rules = [*ROOT.glob("*/rules/*.smk")]
    steps = {
        address for rule in rules for address in re.findall(r'step="([^"]+)"', rule.read_text())
    }
    assert len(steps) >= 5
    for address in sorted(steps):
        assert callable(load_step(address)), address


def test_lock_file_names_no_hosts():
    text = (ROOT / "config/environment/requirements.txt").read_text()
    assert "://" not in text
    assert text.count("--hash=sha256:") > 100
