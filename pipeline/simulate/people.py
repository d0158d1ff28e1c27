"""Athletes: who they are, invented from parameters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from pipeline.simulate.settings import SimulationSettings, Site
from pipeline.simulate.streams import generator

SITES: tuple[Site, ...] = ("harbour", "meadow", "ridge")
SIDES = ("left", "right")
Sex = Literal["female", "male"]
VISITS = ("clearance", "follow_up")


@dataclass(frozen=True)
class Person:
    """One athlete of the study; `mass_kg` holds the mass at each visit."""

    number: int
    site: Site
    sex: Sex
    age_at_surgery_years: float
    injured_side: str
    dominant_side: str
    graft: str
    scale_mass_kg: float
    mass_kg: tuple[float, ...]
    height_m: float
    sport_level: int
    prior_acl_injury: str
    camera: bool
    days_since_surgery: tuple[int, ...]
    follow_up_planned: bool

    @property
    def athlete_id(self) -> str:
        """Pseudonym of the athlete."""
        return f"A{self.number:04d}"

    @property
    def is_woman(self) -> bool:
        """Whether the athlete is female."""
        return self.sex == "female"

    def involved(self, side: str) -> bool:
        """Whether the knee of `side` was reconstructed."""
        return self.injured_side in (side, "both")


def _truncated(rng: np.random.Generator, mean: float, sd: float, low: float, high: float) -> float:
    while True:
        value = rng.normal(mean, sd)
        if low <= value <= high:
            return float(value)


def _choice(rng: np.random.Generator, shares: Mapping[str, float]) -> str:
    names = list(shares)
    weights = np.array([shares[name] for name in names])
    return names[int(rng.choice(len(names), p=weights / weights.sum()))]


def draw_person(settings: SimulationSettings, number: int) -> Person:
    """Return athlete `number` (from 1); the site follows from the number."""
    people, protocol = settings.people, settings.protocol
    rng = generator(settings.seed, number, "person")
    site = SITES[(number - 1) % len(SITES)]
    sex: Sex = "female" if rng.random() < people.women_share else "male"
    age = _truncated(
        rng, people.age_mean_years, people.age_sd_years, people.age_low_years, people.age_high_years
    )
    injured = SIDES[int(rng.integers(2))]
    if number == settings.nuisances.bilateral_athlete:
        injured = "both"
    dominant = "right" if rng.random() < people.right_dominant_share else "left"
    height = rng.normal(people.height_mean_m[sex], people.height_sd_m)
    index = max(17.0, rng.normal(people.body_mass_index_mean[sex], people.body_mass_index_sd))
    mass = index * height**2
    masses = (mass, mass * (1.0 + rng.normal(0.0, 0.012)))
    levels = {str(level + 1): share for level, share in enumerate(people.sport_level_shares)}
    clearance = max(
        protocol.clearance_day_low,
        rng.normal(protocol.clearance_day_mean, protocol.clearance_day_sd),
    )
    gap = int(rng.integers(protocol.follow_up_gap_days[0], protocol.follow_up_gap_days[1] + 1))
    return Person(
        number=number,
        site=site,
        sex=sex,
        age_at_surgery_years=round(age, 1),
        injured_side=injured,
        dominant_side=dominant,
        graft=_choice(rng, cast(Mapping[str, float], people.graft_shares)),
        scale_mass_kg=round(mass * (1.0 + rng.normal(0.0, 0.003)), 1),
        mass_kg=masses,
        height_m=round(float(height), 2),
        sport_level=int(_choice(rng, levels)),
        prior_acl_injury="yes" if rng.random() < people.prior_injury_share else "no",
        camera=bool(rng.random() < protocol.camera_share_of_harbour) and site == "harbour",
        days_since_surgery=(round(clearance), round(clearance) + gap),
        follow_up_planned=bool(rng.random() < protocol.follow_up_share),
    )
