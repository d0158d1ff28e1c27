"""How long extraction takes, beside only parsing the files and beside the obvious way.

    python -m tests.benchmarks.bench_extraction                    # 1,440 recordings, 1.4 GB
    python -m tests.benchmarks.bench_extraction --recordings 144   # for development

(a) parse: the same files, only parsed (pyarrow), in as many processes;
(b) extraction: the steps of the project, hashing, checks and tables included;
(c) the obvious way: one Snakemake job per recording with pandas and scipy, measured on a few
    recordings and extrapolated to all.

Ratios decide; absolute times only inform. Beside other work the clock tells more of that work than
of this one: then compare processor times (summed over the processes, the least of the repeats).
Files lie in a temporary folder and are removed.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Any, NamedTuple

from shared.layout import SHARD_TABLES, shard_of
from shared.tables import read_table
from tests.benchmarks.bench_study import DEVICE, settings, write_study

SHARDS = 8  # as in the demo's study.yaml
OBVIOUS = Path(__file__).with_name("obvious_way.py")


def parse_files(paths: list[str]) -> int:
    """Parse CSV files and do nothing else; return the number of rows."""
    from pyarrow import csv

    options = csv.ReadOptions(use_threads=False)
    return sum(csv.read_csv(path, read_options=options).num_rows for path in paths)


def extract(folder: str, shard: int, chosen: dict[str, Any]) -> tuple[int, int]:
    """Extract one shard; return process id and peak memory in KiB."""
    from pipeline.extraction.shard import extract_shard

    root = Path(folder)
    out = root / "results" / f"shard-{shard:03d}"
    extract_shard(
        recordings_index=root / "recordings_index.parquet",
        calibration_index=root / "calibration_index.parquet",
        athletes=root / "athletes.parquet",
        shard=shard,
        shards=SHARDS,
        study={},
        study_folder=folder,
        **chosen,
        **{name: out / f"{name}.parquet" for name in SHARD_TABLES},
    )
    return os.getpid(), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def warm_up(what: str) -> None:
    """Import what a worker needs: the start of the workers is told apart."""
    if what == "parse":
        import pyarrow.csv  # noqa: F401
    else:
        import pipeline.extraction.shard  # noqa: F401
        from shared.units import conversion_factor

        conversion_factor("g", "m/s2")  # the registry of units is loaded at its first use


class Run(NamedTuple):
    """Seconds until the processes were ready, of the work by clock and processor, and results."""

    start: float
    clock: float
    processor: float
    results: list[Any]


def _timed(what: str, job: tuple[Any, ...]) -> tuple[float, Any]:
    started = time.process_time()
    result = {"parse": parse_files, "extract": extract}[what](*job)
    return time.process_time() - started, result


def timed_pool(what: str, jobs: list[tuple[Any, ...]], processes: int) -> Run:
    """Run jobs in fresh processes."""
    context = multiprocessing.get_context("spawn")
    started = time.perf_counter()
    with context.Pool(processes, initializer=warm_up, initargs=(what,)) as pool:
        pool.starmap(_ready, [(index,) for index in range(4 * processes)], chunksize=1)
        ready = time.perf_counter()
        done = pool.starmap(_timed, [(what, job) for job in jobs], chunksize=1)
        finished = time.perf_counter()
    seconds = sum(seconds for seconds, _ in done)
    return Run(ready - started, finished - ready, seconds, [result for _, result in done])


def _ready(index: int) -> int:
    time.sleep(0.05)
    return index


def obvious_way(folder: Path, paths: list[str], processes: int) -> float:
    """Run one Snakemake job per recording with pandas and scipy; return seconds."""
    snakefile = folder / "obvious.smk"
    names = [Path(path).relative_to(folder).as_posix() for path in paths]
    snakefile.write_text(
        f"FILES = {names!r}\n"
        "rule all:\n    input: [f'obvious/{name}.json' for name in FILES]\n"
        "rule one:\n    input: '{name}'\n    output: 'obvious/{name}.json'\n"
        f"    shell: '{sys.executable} {OBVIOUS} {{input}} {{output}}'\n"
    )
    started = time.perf_counter()
    subprocess.run(
        [
            sys.executable,
            "-m",
            "snakemake",
            "--snakefile",
            str(snakefile),
            "--directory",
            str(folder),
            "--cores",
            str(processes),
            "--quiet",
            "all",
        ],
        check=True,
        capture_output=True,
    )
    return time.perf_counter() - started


def memory(results: list[tuple[int, int]]) -> str:
    """Say how the peak memory of each process grew from its first shard to its last."""
    by_process: dict[int, list[int]] = {}
    for process, peak in results:
        by_process.setdefault(process, []).append(peak)
    return "; ".join(
        f"{min(peaks) / 1024:.0f} MB after the first shard, {max(peaks) / 1024:.0f} MB after all"
        for peaks in by_process.values()
    )


def _largest_first(folder: Path) -> list[int]:
    """Return the shards, largest first: else the last one keeps one process waiting."""
    athletes = read_table(folder / "athletes.parquet", ["athlete_id"])["athlete_id"]
    sizes = Counter(shard_of(athlete, SHARDS) for athlete in athletes)
    return sorted(range(SHARDS), key=lambda shard: (-sizes[shard], shard))


def main() -> None:
    """Generate the files, measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--recordings", type=int, default=1440)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--obvious", type=int, default=24, help="recordings for (c); 0 = leave out")
    options = parser.parse_args()
    for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[variable] = "1"  # as in the steps; the processes inherit it
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = write_study(folder, options.recordings, options.processes)
        size = sum(Path(path).stat().st_size for path in paths)
        print(
            f"{len(paths)} recordings x 10 s x 1 kHz x {len(DEVICE['channels'])} channels, "
            f"{size / 1e9:.2f} GB of CSV, {options.processes} processes, "
            f"best of {options.repeats}"
        )
        parse_files(paths)  # both find the files in the system's cache
        chunks = [(paths[start::SHARDS],) for start in range(SHARDS)]
        jobs = [(name, shard, settings()) for shard in _largest_first(folder)]
        runs = [
            (
                timed_pool("parse", chunks, options.processes),
                timed_pool("extract", jobs, options.processes),
            )
            for _ in range(options.repeats)
        ]
        parse = min(run.clock for run, _ in runs)
        ours = min(run.clock for _, run in runs)
        print(f"(a) parsing only   {parse:8.2f} s")
        print(f"(b) extraction     {ours:8.2f} s   {ours / parse:.2f} x (a); limit 2")
        parse_cpu = min(run.processor for run, _ in runs)
        ours_cpu = min(run.processor for _, run in runs)
        print(
            f"    processor time {ours_cpu:8.2f} s   {ours_cpu / parse_cpu:.2f} x that of (a), "
            f"{parse_cpu:.2f} s"
        )
        print(f"    start of the workers {min(run.start for _, run in runs):.2f} s, beside this")
        print(f"    peak memory: {memory(runs[-1][1].results)}")
        if options.obvious:
            few = paths[:: max(len(paths) // options.obvious, 1)][: options.obvious]
            seconds = obvious_way(folder, few, options.processes) / len(few) * len(paths)
            print(
                f"(c) obvious way    {seconds:8.0f} s   {seconds / ours:.0f} x (b); measured on "
                f"{len(few)} recordings, extrapolated to {len(paths)}"
            )


if __name__ == "__main__":
    main()
