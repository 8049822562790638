"""The card of the alarms: what stands, since when, and what to do next; and what could not be told to an address."""

from dataclasses import dataclass

from .beside import AlarmShown, LetterShown
from .figures import sentence
from .occasion import Occasion

MOST_LETTERS = 5


@dataclass(frozen=True)
class AlarmsCard:
    """What the card of the alarms shows, the latest first."""

    lead: str
    alarms: tuple[tuple[AlarmShown, str], ...]
    letters: tuple[tuple[LetterShown, str], ...] = ()
    further_letters: int = 0


def alarms_card(occasion: Occasion) -> AlarmsCard:
    """The card of the alarms that stand."""
    alarms = sorted(occasion.beside.alarms, key=lambda alarm: alarm.since, reverse=True)
    if not alarms:
        lead = "No alarm stands."
    elif len(alarms) == 1:
        lead = sentence(alarms[0].title)
    else:
        lead = f"{len(alarms)} alarms stand; the latest: {sentence(alarms[0].title)}"
    letters = occasion.beside.letters
    return AlarmsCard(
        lead,
        tuple((alarm, occasion.when(alarm.since)) for alarm in alarms),
        tuple((letter, occasion.when(letter.refused)) for letter in letters[:MOST_LETTERS]),
        max(0, len(letters) - MOST_LETTERS),
    )
