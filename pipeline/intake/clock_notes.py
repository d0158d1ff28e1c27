"""Notes on clocks: devices that no stomp can put on the clock of the trial."""

from __future__ import annotations

from collections.abc import Mapping

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
    ways = synchronisation_of_sites(study.model_dump(mode="json"))
    return [
        Note(
            "study.yaml",
            None,
            f"sites.{name}: no stomp shows to {device}; if one box stamps its files and those of "
            "another device, say so under shared_clocks. Otherwise it stays on a clock of its own, "
            "and what needs an instant of another device is refused",
        )
        for name, site in study.sites.items()
        for device in site.devices
        if ways[name] == "stomp"
        and site.clocks > 1
        and not _feels(devices[device])
        and not any(device in group for group in site.shared_clocks)
    ]
