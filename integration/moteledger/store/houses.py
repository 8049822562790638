"""The stores of many houses in one folder, each open while somebody uses it and as long as there is room."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock

from .schema import StoreError
from .store import Store
from .writer import FileNumber, file_number

_SUFFIX = ".sqlite"
_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,59}", re.ASCII)


def is_house_id(text: str) -> bool:
    """Whether a name can be that of a house: it becomes a file's name and a part of an address."""
    return _ID.fullmatch(text) is not None


@dataclass
class _Place:
    """A house's store, None while it is not open, and how many use it; `turn` is for whoever opens it."""

    turn: Lock = field(default_factory=Lock)
    users: int = 0
    number: FileNumber | None = None
    store: Store | None = None


class HouseStores:
    """The stores of the houses in a folder; safe to use from many threads.

    At most `most_open` stay open beside those that are in use; the one that was used longest ago is closed first. One
    that cannot be opened fails alone, with the StoreError of its file, holds up no other, and is tried again the next
    time. One whose file was taken away or replaced is opened anew: what went on into the old file would be lost.

    Example::

        with HouseStores(folder, most_open=100) as houses, houses.using("tern-cottage") as store:
            store.append(readings)
    """

    def __init__(self, folder: Path, most_open: int) -> None:
        self._folder = folder
        self.most_open = most_open
        # In the order of their last use.
        self._places: dict[str, _Place] = {}
        self._lock = Lock()
        self._closed = False

    def __enter__(self) -> "HouseStores":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close them all."""
        with self._lock:
            self._closed = True
            stores = [place.store for place in self._places.values() if place.store is not None]
            self._places.clear()
        for store in stores:
            store.close()

    def ids(self) -> tuple[str, ...]:
        """The houses that there are, by name; raises StoreError."""
        try:
            # A folder that is not there would be empty to a glob.
            names = [path.name for path in self._folder.iterdir()]
        except OSError as error:
            raise StoreError(self._folder, f"cannot be read ({error.strerror}); check the disk") from error
        found = (name.removesuffix(_SUFFIX) for name in names if name.endswith(_SUFFIX))
        return tuple(sorted(filter(is_house_id, found)))

    def has(self, house: str) -> bool:
        """Whether there is such a house."""
        return is_house_id(house) and self._path(house).is_file()

    @contextmanager
    def using(self, house: str) -> Iterator[Store]:
        """The store of a house, made if it is new, which stays open until the end of the block.

        Raises StoreError, and ValueError for what cannot be a house.
        """
        if not is_house_id(house):
            raise ValueError(f"{house[:60]!r} cannot name a house; use a-z, 0-9 and -, at most 60")
        with self._lock:
            place = self._places.pop(house, None) or _Place()
            self._places[house] = place
            place.users += 1
        try:
            # Opening may wait for another program's lock; that is this house's affair.
            with place.turn:
                store = self._opened(house, place)
            yield store
        finally:
            with self._lock:
                place.users -= 1
                spare = self._taken_out()
            for idle in spare:
                idle.close()

    def _opened(self, house: str, place: _Place) -> Store:
        path = self._path(house)
        if place.store is not None:
            if place.number == file_number(path):
                return place.store
            place.store.close()
            place.store = None
        store = Store.open(path)
        with self._lock:
            if self._closed:
                store.close()
                raise StoreError(self._folder, "is closed; open it again")
            place.number, place.store = file_number(path), store
        return store

    def _taken_out(self) -> list[Store]:
        """Take out what could not be opened, and of those that nobody uses as many as are too many."""
        idle = [house for house, place in self._places.items() if place.users == 0]
        broken = [house for house in idle if self._places[house].store is None]
        too_many = max(len(self._places) - len(broken) - self.most_open, 0)
        whole = (house for house in idle if self._places[house].store is not None)
        places = [self._places.pop(house) for house in (*broken, *list(whole)[:too_many])]
        return [place.store for place in places if place.store is not None]

    def _path(self, house: str) -> Path:
        return self._folder / f"{house}{_SUFFIX}"
