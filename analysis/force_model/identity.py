"""The id of a trained model: a readable name, and a hash of what it was trained on."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

import numpy as np

from analysis.force_model.inputs import Array, Inputs

HASH_DIGITS = 10


def model_id(
    name: str, scope: str, settings: Mapping[str, Any], inputs: Inputs, force: Array
) -> str:
    """Return `name.scope.hash`; the hash covers every training value, all names and settings.

    Parameters
    ----------
    inputs, force : the training landings, in their order
    """
    digest = hashlib.sha256()
    words = [name, scope, list(inputs.waist_names), list(inputs.context_names)]
    digest.update(json.dumps([*words, dict(settings)], sort_keys=True).encode())
    digest.update(json.dumps([inputs.athlete.tolist(), inputs.situation.tolist()]).encode())
    for values in (inputs.waist, inputs.context, force):
        digest.update(np.ascontiguousarray(values, dtype="<f8").tobytes())
    return f"{name}.{scope}.{digest.hexdigest()[:HASH_DIGITS]}"
