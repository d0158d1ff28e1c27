"""Notes on clocks: devices that no stomp can put on the clock of the trial."""

from __future__ import annotations

from collections.abc import Mapping

from pipeline.extraction.clocks import clock_of, shared_clocks_of
from pipeline.intake.people_checks import Note
from shared.settings.device import DeviceProfile
from shared.settings.study import StudySettings, synchronisation_of_sites

_FEELS_A_STOMP = (
    "vertical_force.",
    "waist_acceleration.",
    "reference_acceleration.",
    "shank_rate.",
)


def _feels(profile: DeviceProfile) -> bool:
    return any(channel.channel.startswith(_FEELS_A_STOMP) for channel in profile.channels)


def notes_on_clocks(study: StudySettings, devices: Mapping[str, DeviceProfile]) -> list[Note]:
    """Return which devices stay on a clock of their own whatever the athletes do."""
    settings = study.model_dump(mode="json")
    ways, shared = synchronisation_of_sites(settings), shared_clocks_of(settings)
    return [
        Note(
            "study.yaml",
            None,
            f"sites.{name}: no stomp shows to {device}; if one box stamps its files and those of "
            "a device that feels one, say so under shared_clocks. Otherwise it is not put on the "
            "clock of the others, and what needs an instant of theirs is refused",
        )
        for name, site in study.sites.items()
        for device in site.devices
        if ways[name] == "stomp"
        and site.clocks > 1
        and not any(_feels(devices[other]) for other in clock_of(device, shared[name]))
    ]
