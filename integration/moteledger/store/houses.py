"""The stores of many houses in one folder, each opened when it is first asked for."""

import re
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


class HouseStores:
    """The stores of the houses in a folder; safe to use from many threads.

    One that cannot be opened fails alone, with the StoreError of its file, holds up no other, and is tried again the
    next time. One whose file was taken away or replaced is opened anew: what went on into the old file would be lost.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._open: dict[str, tuple[FileNumber | None, Store]] = {}
        self._turns: dict[str, Lock] = {}
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
            for _, store in self._open.values():
                store.close()
            self._open.clear()

    def ids(self) -> tuple[str, ...]:
        """The houses that there are, by name; raises StoreError."""
        try:
            # A folder that is not there would be empty to a glob.
            names = [path.name for path in self._folder.iterdir()]
        except OSError as error:
            raise StoreError(self._folder, f"cannot be read ({error.strerror}); check the disk") from error
        found = (name.removesuffix(_SUFFIX) for name in names if name.endswith(_SUFFIX))
        return tuple(sorted(filter(is_house_id, found)))

    def find(self, house: str) -> Store | None:
        """The store of a house, None if there is no such house; raises StoreError."""
        return self.take(house) if is_house_id(house) and self._path(house).is_file() else None

    def take(self, house: str) -> Store:
        """The store of a house, made if it is new; raises StoreError, and ValueError for what cannot be a house."""
        if not is_house_id(house):
            raise ValueError(f"{house[:60]!r} cannot name a house; use a-z, 0-9 and -, at most 60")
        with self._lock:
            turn = self._turns.setdefault(house, Lock())
        # Opening may wait for another program's lock; that is this house's affair.
        with turn:
            return self._present(house)

    def _present(self, house: str) -> Store:
        path = self._path(house)
        with self._lock:
            number, store = self._open.get(house, (None, None))
            if store is not None and number == file_number(path):
                return store
            self._open.pop(house, None)
        if store is not None:
            store.close()
        store = Store.open(path)
        with self._lock:
            if self._closed:
                store.close()
                raise StoreError(self._folder, "is closed; open it again")
            self._open[house] = (file_number(path), store)
        return store

    def _path(self, house: str) -> Path:
        return self._folder / f"{house}{_SUFFIX}"
