"""Where sensors ran into the end of their range: rows of the table `saturation`.

A flag says that a value is bounded; these rows say for how long and on which axis, so that anyone
can judge how much of a peak is missing (half-sine of 30 ms: 7 ms flat hide 6 % of it, 16 ms hide
33 %; closed form).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from pipeline.extraction.file_rows import Row
from pipeline.extraction.signals import Signals
from pipeline.extraction.trials import Trial
from pipeline.filtering.spells import spells
from pipeline.quality.windows import FullScale, nearest_share, saturation
from shared.channels import sensor_of
from shared.settings.processing import Quality


def saturated_rows(
    trial: Trial, scales: Mapping[str, Mapping[str, FullScale]], limits: Quality
) -> Iterator[Row]:
    """Yield a row per stretch of saturated samples of a channel, as recorded.

    Parameters
    ----------
    scales
        Device -> channel -> full scale in SI units; infinite where clipping is not looked for.
    """
    near = nearest_share(limits)
    for signals in trial.recordings:
        recorded, full_scales = signals.as_recorded, scales[signals.device]
        for channel in recorded.channels:
            full_scale = full_scales[channel]
            # Nearly all channels of nearly all recordings end here.
            if recorded.largest_magnitude(channel) >= near * full_scale.value:
                yield from _of_channel(trial, recorded, channel, full_scale, limits)


def _of_channel(
    trial: Trial, recorded: Signals, channel: str, full_scale: FullScale, limits: Quality
) -> Iterator[Row]:
    rate_hz = recorded.rate_hz
    found = saturation([recorded.channels[channel]], [full_scale], rate_hz, limits)
    if found is None:
        return
    for first, end in zip(*spells(found.mask[0]), strict=True):
        yield (
            recorded.recording_id,
            channel,
            recorded.raw_sample(int(first)),
            recorded.raw_sample(int(end) - 1),
            trial.athlete_id,
            trial.site,
            trial.visit,
            trial.task,
            trial.side,
            trial.number,
            recorded.device,
            sensor_of(channel),
            int(end - first),
            1000.0 * int(end - first) / rate_hz,
            recorded.seconds(float(first)),
        )
