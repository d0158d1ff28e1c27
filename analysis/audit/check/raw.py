"""Do the raw files still have the bytes that were measured?"""

from __future__ import annotations

from collections.abc import Iterator

from analysis.audit.check.finding import Files, Finding
from shared.provenance import sha256_of_bytes


def raw_files(files: Files) -> Iterator[Finding]:
    """Recordings and calibrations against the hashes in their tables."""
    for name in ("recordings", "calibrations"):
        rows = files.table(f"tables/{name}")
        if rows is None:
            continue
        rows = rows.loc[rows["sha256"] != "", ["path", "sha256"]].drop_duplicates()
        for path, digest in rows.sort_values(["path", "sha256"]).itertuples(index=False):
            now = files.digest(files.study.raw / path)
            if now != digest:
                found = f"SHA-256 {now}" if now else "no such file"
                yield Finding(f"raw file {path}", found, f"{digest} (table {name})")


def bench_files(files: Files) -> Iterator[Finding]:
    """Bench recordings against the joint hash of each calibration of a unit."""
    index = files.table("intake/unit_calibration_index")
    rows = files.table("tables/unit_calibrations")
    if index is None or rows is None:
        return
    key = ["unit_code", "device", "kind"]
    noted = rows.drop_duplicates(key).set_index(key)["sha256"]
    for names, group in index.loc[index["usable"]].groupby(key, sort=True):
        hashes = sorted(files.digest(files.study.raw / path) for path in group["path"])
        now = sha256_of_bytes("\n".join(hashes).encode())
        if noted.get(names) != now:
            yield Finding(
                f"bench recordings of {' '.join(map(str, names))}",
                f"SHA-256 {now} over {len(group)} files",
                f"{noted.get(names)} (table unit_calibrations)",
            )
