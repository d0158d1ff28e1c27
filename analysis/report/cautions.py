"""What the outputs are for, what they are not for, and how to test safely; in every report."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """A group of cautions under one heading."""

    heading: str
    lines: tuple[str, ...]


CAUTIONS = (
    Caution(
        "What this report is for",
        (
            "It is research about groups of athletes. The software behind it is not a medical "
            "device. It must not be used to diagnose, to treat, or to make, support or replace a "
            "decision about any one person.",
            "It clears nobody for sport. Return to sport is decided by licensed clinicians "
            "together with the athlete, from the full clinical picture.",
            "An association in a group does not tell what will happen to one athlete. Nothing "
            "here may be turned into a score, a colour, a cut-off or a ranking of athletes, and "
            "no result here means that an athlete is safe.",
            "A metric that goes along with injury is not thereby a cause of it; changing the "
            "metric need not change the risk.",
        ),
    ),
    Caution(
        "What limits the results",
        (
            "Second injuries are few, so intervals are wide and a result near no difference "
            "does not show that there is none.",
            "Each metric is measured with error, and error pulls associations towards none.",
            "Sensors can saturate in hard landings; clipped values are flagged and understate "
            "the true peak.",
            "A force estimated from waist acceleration is approximate, and it cannot compare the "
            "two limbs of an athlete. One waist sensor cannot tell the limbs apart when both "
            "feet land.",
        ),
    ),
    Caution(
        "Before a jump test",
        (
            "Maximal jumping and landing after reconstruction of the ligament can injure. Test "
            "only after medical approval for jumping and under a qualified supervisor.",
            "Ask about pain, swelling, giving way, fever, recent surgery and changed medication "
            "first; do not test when any is present.",
            "Warm up and practise in the same way each time. Go from two legs to one and from a "
            "low box to a higher one.",
            "Use a dry, level, firm floor that does not slip, plates that are fixed and flush "
            "with the floor, free space around them, a box that cannot tip, and sports shoes; "
            "write the shoes down.",
        ),
    ),
    Caution(
        "During and after a jump test",
        (
            "Keep a spotter close, rest between trials, and few trials. Stop at pain, "
            "instability, swelling, dizziness, loss of technique, or when the athlete wishes.",
            "Have an emergency plan and first aid at hand. Straps must not hinder the blood "
            "flow; look for warm sensors and irritated skin.",
            "Record adverse events and refer the athlete to a clinician. Do not test again on "
            "the same day after symptoms. A failed trial is no reason for more jumps.",
        ),
    ),
    Caution(
        "Ethics, consent and data",
        (
            "The approval of the ethics committee and local rules come first; where they say "
            "otherwise than this page, they hold.",
            "Minors take part only with consent or assent and the rule for guardians that the "
            "approval sets.",
            "Data are pseudonymised. Do not try to find out who an athlete is. An athlete who "
            "withdraws is removed as the consent form says.",
            "Results of research are not given back to single athletes unless the protocol says "
            "so.",
        ),
    ),
    Caution(
        "Warranty",
        (
            "The software comes without warranty. Run its tests against known answers after "
            "every change.",
        ),
    ),
)

FOOTER = (
    "For research on groups only. Not a medical device, not for decisions about any individual. "
    "Return to sport is decided by licensed clinicians together with the athlete."
)
"""One line under every page and printed sheet."""


def as_markdown() -> str:
    """Return the cautions as Markdown, for the README."""
    parts = []
    for caution in CAUTIONS:
        parts.append(f"**{caution.heading}**\n")
        parts += [f"- {line}" for line in caution.lines]
        parts.append("")
    return "\n".join(parts)
