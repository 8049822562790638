"""How many rooms a house can have: whoever sends readings names its rooms, and each name is kept for good."""

from collections.abc import Callable, Iterable

from ..signals import is_room

MOST_ROOMS = 64


class Rooms:
    """The rooms of a house; `known` tells, once it is asked, the signals that are kept already."""

    def __init__(self, known: Callable[[], Iterable[str]]) -> None:
        self._known = known
        self._names: set[str] | None = None

    def takes(self, signal: str) -> bool:
        """Whether readings of a signal can be kept: of any but a room that would be one too many."""
        if not is_room(signal):
            return True
        if self._names is None:
            self._names = {name for name in self._known() if is_room(name)}
        if signal not in self._names and len(self._names) >= MOST_ROOMS:
            return False
        self._names.add(signal)
        return True
