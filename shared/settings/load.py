"""Load a settings folder: three files and the device profiles, checked against each other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from shared.blinding import results_name
from shared.channels import sensor_of
from shared.errors import Problem, StudyError
from shared.metric_dictionary import metrics
from shared.sampling_rates import ratio_to
from shared.settings.device import DeviceProfile
from shared.settings.plan import PlanSettings
from shared.settings.processing import ProcessingSettings
from shared.settings.strict import Strict, load
from shared.settings.study import Blinded, StudySettings


@dataclass(frozen=True)
class Settings:
    """Everything that the user decided; `folder` is where the files lie."""

    folder: Path
    study: StudySettings
    processing: ProcessingSettings
    plan: PlanSettings
    devices: dict[str, DeviceProfile]

    def resolve(self, relative: str) -> Path:
        """Return a folder named in a settings file, which counts from the settings folder."""
        return (self.folder / relative).resolve()

    @property
    def study_folder(self) -> Path:
        """Folder of the raw study."""
        return self.resolve(self.study.study_folder)

    @property
    def results_folder(self) -> Path:
        """Folder of everything derived; that of a blinded run has a name of its own."""
        blinded = {"blinded": self.study.blinded and self.study.blinded.model_dump()}
        return self.resolve(results_name(self.study.results_folder, blinded))


def _try(model: type[Strict], path: Path, problems: list[Problem]) -> Strict | None:
    try:
        return load(model, path)
    except StudyError as error:
        problems.extend(error.problems)
        return None


def _devices(folder: Path, problems: list[Problem]) -> dict[str, DeviceProfile]:
    devices: dict[str, DeviceProfile] = {}
    for path in sorted((folder / "devices").glob("*.yaml")):
        profile = _try(DeviceProfile, path, problems)
        if not isinstance(profile, DeviceProfile):
            continue
        if profile.device != path.stem:
            problems.append(
                Problem(
                    "stops_study",
                    "device_name_is_not_file_name",
                    f"devices/{path.name}",
                    None,
                    "device",
                    repr(profile.device),
                    repr(path.stem),
                    "give the file and the device the same name",
                )
            )
        devices[path.stem] = profile
    return devices


def _unknown(file: str, place: str, found: str, known: list[str], what: str) -> Problem:
    import difflib

    near = difflib.get_close_matches(found, known, n=1)
    return Problem(
        "stops_study",
        f"unknown_{what}",
        file,
        None,
        place,
        f"{what} {found!r}",
        f"one of: {', '.join(known)}",
        f"did you mean {near[0]!r}?" if near else f"correct the name of the {what}",
    )


def _study_against_devices(
    study: StudySettings, devices: dict[str, DeviceProfile]
) -> list[Problem]:
    return [
        _unknown("study.yaml", f"sites.{site}.devices", device, sorted(devices), "device")
        for site, content in study.sites.items()
        for device in content.devices
        if device not in devices
    ]


def _rates_against_devices(
    processing: ProcessingSettings, study: StudySettings, devices: dict[str, DeviceProfile]
) -> list[Problem]:
    """A common rate above that of a device in use would leave that device at its own."""
    common = processing.filtering.harmonised_rate_hz.by_sensor
    used = sorted({name for site in study.sites.values() for name in site.devices} & set(devices))
    problems = []
    for name in used:
        sensors = sorted({sensor_of(item.channel) for item in devices[name].channels})
        for sensor in sensors:
            if (rate := common[sensor]) is not None:
                problems += _rate_against_device(sensor, rate, name, devices[name].rate_hz)
    return problems


def _rate_against_device(
    sensor: str, common_hz: float, device: str, rate_hz: float
) -> list[Problem]:
    place = f"filtering.harmonised_rate_hz.{sensor}"
    found = f"{common_hz:g} per second"
    if common_hz > rate_hz:
        expected = f"at most {rate_hz:g}, the rate of {device}"
        mend = "set the lowest rate of this kind of sensor, or null"
        rule = "harmonised_rate_too_high"
        return [Problem("stops_study", rule, "processing.yaml", None, place, found, expected, mend)]
    try:
        ratio_to(common_hz, rate_hz)
    except ValueError as error:
        rule, mend = "harmonised_rate_without_ratio", "choose another common rate, or null"
        return [
            Problem("stops_study", rule, "processing.yaml", None, place, found, f"{error}", mend)
        ]
    return []


def _plan_against_study(plan: PlanSettings, study: StudySettings) -> list[Problem]:
    problems = []
    known = sorted(metrics())
    for predictor in (*plan.primary, *plan.exploratory):
        place = f"predictor {predictor.name}"
        if predictor.metric not in known:
            problems.append(_unknown("plan.yaml", place, predictor.metric, known, "metric"))
            continue
        if predictor.task not in study.tasks:
            problems.append(
                _unknown("plan.yaml", place, predictor.task, sorted(study.tasks), "task")
            )
            continue
        metric = metrics()[predictor.metric]
        if not metric.valid_for(predictor.task, predictor.landing, predictor.sensor):
            problems.append(
                Problem(
                    "stops_study",
                    "metric_not_valid_for_task",
                    "plan.yaml",
                    None,
                    place,
                    f"{predictor.metric} by {predictor.sensor} in {predictor.task}, "
                    f"landing {predictor.landing}",
                    f"sensors {', '.join(metric.sensors)}; tasks {', '.join(metric.tasks)}",
                    "choose a combination that the metric dictionary allows",
                )
            )
    for name in (*plan.mixed.metrics, *plan.mixed.log_scale):
        if name not in known:
            problems.append(_unknown("plan.yaml", "mixed", name, known, "metric"))
    return problems


def load_settings(folder: Path) -> Settings:
    """Return the validated settings of a study.

    Raises
    ------
    StudyError
        With every problem of all files at once.
    """
    problems: list[Problem] = []
    study = _try(StudySettings, folder / "study.yaml", problems)
    processing = _try(ProcessingSettings, folder / "processing.yaml", problems)
    plan = _try(PlanSettings, folder / "plan.yaml", problems)
    devices = _devices(folder, problems)
    if isinstance(study, StudySettings):
        problems += _study_against_devices(study, devices)
        if isinstance(plan, PlanSettings):
            problems += _plan_against_study(plan, study)
        if isinstance(processing, ProcessingSettings):
            problems += _rates_against_devices(processing, study, devices)
    if (
        problems
        or not isinstance(study, StudySettings)
        or not isinstance(processing, ProcessingSettings)
        or not isinstance(plan, PlanSettings)
    ):
        raise StudyError(problems)
    return Settings(folder.resolve(), study, processing, plan, devices)


def with_blinding(settings: Settings, seed: int | None) -> Settings:
    """Return the settings of a blinded run with a seed; those given where it is None.

    Raises
    ------
    StudyError
        study.yaml names another seed, or the seed is not valid.
    """
    if seed is None:
        return settings
    named = settings.study.blinded
    if seed < 0 or (named is not None and named.seed != seed):
        raise StudyError(
            Problem(
                "stops_study",
                "seed_of_blinding",
                "study.yaml",
                None,
                "blinded.seed",
                f"the seed {seed} asked for beside {f'the seed {named.seed}' if named else 'none'}",
                "one seed, zero or more",
                "leave the seed out of the command, or the block `blinded` out of study.yaml",
            )
        )
    blinded = named or Blinded(seed=seed)
    return replace(settings, study=settings.study.model_copy(update={"blinded": blinded}))
