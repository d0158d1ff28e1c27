"""Run a study from raw recordings to its report: `python -m pipeline.run_study`.

Checks the settings, generates the raw data of the demo where the settings ask for it, clears what
a killed run left behind, runs the workflow with progress, and ends with where to look, or with the
errors that matter.
"""

from __future__ import annotations

import argparse
import fcntl
import math
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from shared.blinding import mark_of, stop_if_other_kind
from shared.errors import StudyError
from shared.freeze import status_of
from shared.manifest import FILE as MANIFEST
from shared.manifest import write_manifest
from shared.settings.load import Settings, load_settings, with_blinding
from shared.sources import ROOT

_PROGRESS = re.compile(r"(\d+) of (\d+) steps \(\d+%\) done")
_MESSAGE = re.compile(r"^Job \d+: (.+)$")


def _arguments(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m pipeline.run_study", description=__doc__)
    parser.add_argument("--settings", type=Path, default=Path("config"), help="settings folder")
    parser.add_argument("--cores", type=int, default=2, help="processes at a time")
    parser.add_argument(
        "--profile", choices=("laptop", "slurm"), default="laptop", help="where the steps run"
    )
    parser.add_argument(
        "--blinded", type=int, metavar="SEED", help="permute outcomes; results in a folder apart"
    )
    return parser.parse_args(arguments)


@contextmanager
def only_run(folder: Path) -> Iterator[None]:
    """Hold a lock of the operating system, which a killed run cannot leave behind."""
    folder.mkdir(exist_ok=True)
    with (folder / "study.running").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise SystemExit(
                "another run of the study is at work in this folder; wait until it has ended"
            ) from None
        yield


def _command(options: argparse.Namespace, *targets: str) -> list[str]:
    return [
        *(sys.executable, "-m", "snakemake", *targets),
        *("--snakefile", str(ROOT / "Snakefile")),
        *("--profile", str(ROOT / "config" / "profiles" / options.profile)),
        *(("--cores", str(options.cores)) if options.profile == "laptop" else ()),
        *("--config", f"settings={options.settings}"),
        *(() if options.blinded is None else (f"blinded={options.blinded}",)),
    ]


def _environment() -> dict[str, str]:
    # Hashes of strings decide the order of sets: fixed, so that no output can depend on it.
    # The package root is found even when the environment was installed for another folder.
    path = os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")]).rstrip(os.pathsep)
    return {**os.environ, "PYTHONHASHSEED": "0", "PYTHONPATH": path}


def _unlock(options: argparse.Namespace) -> None:
    locks = Path(".snakemake/locks")
    if locks.is_dir() and any(locks.iterdir()):
        print("An earlier run was cut off; its finished files are kept, the rest is made again.")
        subprocess.run(
            _command(options, "--unlock"), env=_environment(), check=True, capture_output=True
        )


def _follow(
    options: argparse.Namespace, target: str, started: float, manifest: Path
) -> tuple[int, list[str]]:
    """Run one target; print a line for each started step; return status and full output.

    The manifest goes when the first step starts: a run that is cut off leaves none that is wrong.
    """
    process = subprocess.Popen(
        _command(options, target), env=_environment(), text=True,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
    )  # fmt: skip
    output: list[str] = []
    done = "0"
    assert process.stdout is not None
    for line in process.stdout:
        output.append(line.rstrip())
        if progress := _PROGRESS.search(line):
            done = f"{progress[1]}/{progress[2]}"
        elif message := _MESSAGE.match(line):
            manifest.unlink(missing_ok=True)
            print(f"  {time.monotonic() - started:5.0f} s  {done:>7}  {message[1]}", flush=True)
    return process.wait(), output


def _failed_logs(results: Path, started_at: float) -> list[str]:
    """Return what failed steps of this run wrote for people."""
    texts = []
    for log in sorted((results / "logs").glob("*.log")):
        text = log.read_text(encoding="utf-8", errors="replace").strip()
        if log.stat().st_mtime >= started_at and text != "finished":
            texts.append(f"{log.stem}:\n{text}")
    return texts


def _report_now_and_then(seconds: float) -> Callable[[str], None]:
    last = -math.inf

    def report(text: str) -> None:
        nonlocal last
        if time.monotonic() - last >= seconds:
            last = time.monotonic()
            print(f"  demo data  {text}", flush=True)

    return report


def _generate_demo(settings: Settings, cores: int) -> None:
    if settings.study.demo is None:
        return
    from pipeline.simulate.cohort import simulate_study
    from pipeline.simulate.settings import SimulationSettings
    from shared.settings.strict import load

    simulate_study(
        load(SimulationSettings, settings.folder / settings.study.demo.settings),
        settings.study_folder,
        settings.resolve(settings.study.demo.truth_folder),
        cores=cores,
        report=_report_now_and_then(5.0),
    )


def stop_if_plan_changed(settings: Settings, folder: Path) -> None:
    """End the program with what was changed in the plan since it was frozen, if anything was."""
    status = status_of(settings)
    if status.stops_a_run:
        changes = "\n".join(f"    {line}" for line in status.differences)
        raise SystemExit(
            f"The plan was changed after it was frozen on {status.date}:\n{changes}\n"
            "Change it back, or freeze it again with a reason, which the report will print:\n"
            f"    .venv/bin/python -m analysis.freeze --settings {folder} "
            '--date YYYY-MM-DD --reason "..."'
        )


_STATES = {"frozen": "frozen", "not_frozen": "not frozen yet", "changed": "being changed"}


def _opening_lines(settings: Settings) -> str:
    """Return what a blinded run says before it starts, '' for a true one."""
    if not (words := mark_of(settings.study.model_dump(mode="json"))):
        return ""
    state = _STATES[status_of(settings).status]
    return f"{words}.\nThe plan is {state}, which a blinded run may be: it is for building it.\n"


def _closing_lines(settings: Settings, seconds: float) -> str:
    results = Path(os.path.relpath(settings.results_folder))
    return "\n".join(
        [
            f"Done in {seconds:.0f} s. Where to look:",
            f"  report           {results / 'report' / 'report.html'}",
            f"  data quality     {results / 'report' / 'quality.html'}",
            f"  audit            {results / 'report' / 'audit.html'}",
            f"  tables as CSV    {results / 'report' / 'tables'}",
            f"  figures          {results / 'report' / 'figures'}",
            f"  all numbers      {results / 'tables' / 'estimates.parquet'}",
            f"  check of inputs  {results / 'intake' / 'problems.txt'}",
            *(part for part in (mark_of(settings.study.model_dump(mode="json")),) if part),
        ]
    )


def run(options: argparse.Namespace) -> int:
    """Run everything by the options of the command; return the exit status."""
    started, started_at = time.monotonic(), time.time()
    settings = with_blinding(load_settings(options.settings), options.blinded)
    stop_if_other_kind(settings.results_folder, settings.study.model_dump(mode="json"))
    stop_if_plan_changed(settings, options.settings)
    print(_opening_lines(settings), end="", flush=True)
    manifest = settings.results_folder / MANIFEST
    with only_run(Path(".snakemake")):
        _generate_demo(settings, options.cores)
        _unlock(options)
        # Two calls, because the workflow engine does not look at what lies behind an `ancient`
        # input of a step that is to run: a changed recording would wait for the next run.
        for target in ("check", "study"):
            status, output = _follow(options, target, started, manifest)
            if status:
                break
        if status == 0 and not manifest.is_file():
            write_manifest(settings.results_folder, settings)
    if status == 0:
        print(_closing_lines(settings, time.monotonic() - started))
        return 0
    failed = _failed_logs(settings.results_folder, started_at)
    print("\n".join(["", *(failed or output[-25:])]), file=sys.stderr)
    print(
        "\nThe study did not finish; what was computed is kept. Mend the above and run it again.",
        file=sys.stderr,
    )
    return 1


def main(arguments: list[str] | None = None) -> int:
    """Parse the arguments, run, and turn mistakes of the user into messages."""
    try:
        return run(_arguments(arguments))
    except StudyError as error:
        print(error.render(), file=sys.stderr)
        return 2


if __name__ == "__main__":
    sys.exit(main())
