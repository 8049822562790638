"""What to connect to a house that is new: the signals that tell most, the first ones first, and how to push one."""

from dataclasses import dataclass

from .house import House

USUAL_ADDRESS = "http://127.0.0.1:8467/"


@dataclass(frozen=True)
class Connection:
    """A signal worth connecting, and what it makes known."""

    signal: str
    makes_known: str


_FIRST = (
    Connection("indoor.pm25", "the air that people breathe; everything starts with it"),
    Connection("outdoor.pm25", "what came in and what was made indoors; an hour of both gives the first figures"),
    Connection("fan.running", "what the filter took out, and what the air handler delivers; 1 while it runs, else 0"),
)
_FILTER = Connection("filter.pressure_drop", "how the filter loads, and the day on which it is due")


def to_connect(house: House) -> tuple[Connection, ...]:
    """The signals to connect, the most telling first; the filter's only where the house has one."""
    return (*_FIRST, _FILTER) if house.filter is not None else _FIRST


def push_line(address: str) -> str:
    """A line for the shell that pushes one reading of now; `address` is where the page is, ending in a slash."""
    body = '[{"n": "indoor.pm25", "u": "ug/m3", "v": 8.5}]'
    return f"curl -s {address}v1/readings -H 'Content-Type: application/senml+json' -d '{body}'"
