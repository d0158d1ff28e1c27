"""Run one step for the workflow: named files and settings in, files out, errors for people."""

import importlib
import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

# Sums in another order give other bytes: one thread for linear algebra, set before numpy loads.
for _variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_variable] = "1"


def load_step(address: str) -> Callable[..., None]:
    """Return the function at "package.module:function"."""
    module, _, function = address.partition(":")
    return getattr(importlib.import_module(module), function)


def _named(files: Any) -> dict[str, Path | list[Path]]:
    # A named list of the workflow holds one path, or a list of them, under each name.
    return {
        name: Path(value) if isinstance(value, str) else [Path(item) for item in value]
        for name, value in files.items()
    }


def run(workflow: Any) -> int:
    """Call the step that the rule names; return the exit status."""
    from shared.errors import StudyError

    arguments: dict[str, Any] = {**_named(workflow.input), **_named(workflow.output)}
    # A parameter called rerun_when_... exists only so that its change reruns the rule.
    parameters = {
        name: value for name, value in workflow.params.items() if not name.startswith("rerun_when_")
    }
    address = parameters.pop("step")
    log = Path(str(workflow.log[0]))
    try:
        load_step(address)(**arguments, **parameters)
    except StudyError as error:
        log.write_text(error.render() + "\n", encoding="utf-8")
        print(error.render(), file=sys.stderr)
        return 1
    except Exception:
        text = traceback.format_exc()
        log.write_text(f"Fault in the pipeline itself, step {address}\n{text}", encoding="utf-8")
        print(text, file=sys.stderr)
        return 1
    log.write_text("finished\n", encoding="utf-8")
    return 0


if "snakemake" in globals():
    sys.exit(run(globals()["snakemake"]))
