"""The cards by name, and their HTML: a fragment, a card that stands alone, the page of all of them."""

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib.resources import files

from ..engine.assessment import Assessment
from ..engine.fan_answer import FanAnswer
from ..settings import House
from ..settings.connecting import push_line, to_connect
from ..settings.questions import LONGEST_ANSWER, QUESTIONS
from .account import DAY_HEIGHT, account_card
from .ahead import ahead_card
from .air import air_card
from .alarms import alarms_card
from .beside import NOTHING_BESIDE, Beside
from .delivery import delivery_card
from .events import events_card
from .fan import fan_card
from .figures import sentence
from .filter import filter_card
from .learning import not_yet
from .occasion import Occasion
from .pressure import pressure_card
from .templating import templates_of
from .trace import trace_card

STALE_AFTER_MIN = 30.0
LEARNING_CARD = "air"
"""The card that tells, of a house not assessed yet, what has come so far; once is enough."""


@dataclass(frozen=True)
class Card:
    """One card: how it is called, what it shows of an occasion, and what it waits for while nothing is known."""

    name: str
    title: str
    show: Callable[[Occasion], object]
    waits_for: str


@dataclass(frozen=True)
class StaticFile:
    """A file that the pages ask for under /static."""

    content: bytes
    content_type: str


CARDS = {
    card.name: card
    for card in (
        Card("alarms", "Alarms", alarms_card, "It watches from the first assessment on."),
        Card("air", "The air", air_card, "It starts with the first reading of indoor PM2.5."),
        Card("account", "The account", account_card, "It needs PM2.5 indoors and outdoors over some hours."),
        Card("ahead", "The next 24 hours", ahead_card, "It needs some hours of the air outdoors."),
        Card("fan", "The fan", fan_card, "Until then, leave the fan to its thermostat."),
        Card("filter", "The filter", filter_card, "It needs the pressure drop across the filter, or the fan's hours."),
        Card("pressure", "The pressure", pressure_card, "It needs a pressure sensor across the filter or in the duct."),
        Card("events", "Made indoors", events_card, "It needs PM2.5 indoors and outdoors over some hours."),
        Card("trace", "Indoors and outdoors", trace_card, "It draws the readings as they come."),
        Card("delivery", "Delivery", delivery_card, "It needs some days in which the fan both ran and rested."),
    )
}


def _static_files() -> dict[str, StaticFile]:
    content_types = {
        "cards.css": "text/css; charset=utf-8",
        "cards.js": "text/javascript; charset=utf-8",
        "entrance.js": "text/javascript; charset=utf-8",
        "mark.svg": "image/svg+xml",
    }
    folder = files(__package__) / "static"
    return {name: StaticFile((folder / name).read_bytes(), kind) for name, kind in content_types.items()}


STATIC_FILES = _static_files()

_templates = templates_of("moteledger.cards")
_templates.globals |= {"DAY_HEIGHT": DAY_HEIGHT}


def ready_templates() -> None:
    """Compile what all cards share, the largest part, so that nobody's first card waits for it."""
    _templates.get_template("_marks.html")


def render_fragment(
    name: str,
    assessment: Assessment | None,
    house: House,
    *,
    now: datetime,
    stale_after_min: float = STALE_AFTER_MIN,
    answer: FanAnswer | None = None,
    beside: Beside = NOTHING_BESIDE,
) -> str:
    """One card as an HTML article, without a document around it. Raises KeyError for a name that is not in CARDS."""
    card = CARDS[name]
    if assessment is None:
        told = not_yet(beside.arrived, house, now) if name == LEARNING_CARD else ""
        if name == "alarms":
            told = " ".join(f"{sentence(alarm.title)} {sentence(alarm.text)}" for alarm in beside.alarms)
        return _templates.get_template("waiting.html").render(card=card, told=told)
    occasion = Occasion(assessment, house, now, stale_after_min, answer, beside)
    shown = card.show(occasion)
    return _templates.get_template(f"{name}.html").render(card=card, occasion=occasion, shown=shown)


def render_card(
    name: str,
    assessment: Assessment | None,
    house: House,
    *,
    now: datetime,
    stale_after_min: float = STALE_AFTER_MIN,
    banner: str = "",
    answer: FanAnswer | None = None,
    beside: Beside = NOTHING_BESIDE,
) -> str:
    """One card as a document that stands alone and may be embedded in another page.

    `now` is an aware time; an assessment older than `stale_after_min` minutes is shown as such; without one the card
    tells what it waits for; `banner` is told above everything (for example that a sensor is simulated); `answer` is
    what automations are told of the fan, and `beside` what is shown besides. Raises KeyError for a name not in CARDS.
    """
    article = render_fragment(
        name, assessment, house, now=now, stale_after_min=stale_after_min, answer=answer, beside=beside
    )
    return _templates.get_template("embed.html").render(
        article=article, title=CARDS[name].title, house=house, banner=banner
    )


def render_page(
    assessment: Assessment | None,
    house: House,
    *,
    now: datetime,
    stale_after_min: float = STALE_AFTER_MIN,
    banner: str = "",
    answer: FanAnswer | None = None,
    beside: Beside = NOTHING_BESIDE,
    names: Collection[str] = tuple(CARDS),
) -> str:
    """The page of all cards, or of those in `names` alone; other arguments as in `render_card`.

    What the account rests on is told only beside all cards: it names every signal, and when each was silent.
    """
    articles = [
        render_fragment(name, assessment, house, now=now, stale_after_min=stale_after_min, answer=answer, beside=beside)
        for name in names
    ]
    occasion = assessment and Occasion(assessment, house, now, stale_after_min, answer, beside)
    return _templates.get_template("page.html").render(
        articles=articles,
        cards=[CARDS[name] for name in names],
        house=house,
        occasion=occasion,
        banner=banner,
        whole=len(names) == len(CARDS),
    )


def render_entrance() -> str:
    """The page at the door, where a browser hands over its token; it tells nothing of the house."""
    return _templates.get_template("entrance.html").render()


def render_notice(house: House, title: str, text: str, back: str) -> str:
    """A page that tells a reader why a form was not taken, with the way back to the card it stands on."""
    return _templates.get_template("notice.html").render(house=house, title=title, text=text, back=back)


def render_first_run(
    token: str, answers: Mapping[str, str], problems: Mapping[str, str], *, action: str, trouble: str = ""
) -> str:
    """The page that asks what a house file must say: the answers so far by key, and what is wrong with each.

    `trouble` is told above all questions; `token` goes back with the form, which is sent to `action`.
    """
    return _templates.get_template("first_run.html").render(
        questions=QUESTIONS,
        token=token,
        answers=answers,
        problems=problems,
        action=action,
        trouble=trouble,
        longest=LONGEST_ANSWER,
    )


def render_connecting(house: House, file: str, address: str) -> str:
    """The page after the first run: where the house file is, which signals to connect, and how to push one."""
    return _templates.get_template("connecting.html").render(
        house=house, file=file, connections=to_connect(house), line=push_line(address)
    )
