"""What all tables that name an address on the network have in common."""

from collections.abc import Callable
from typing import Protocol, TypeVar
from urllib.parse import urlsplit


class Named(Protocol):
    """Whatever has a name of its own."""

    @property
    def name(self) -> str:
        """The name."""
        ...


T = TypeVar("T", bound=Named)


def shown(address: str) -> str:
    """The address without its query, which may hold what is nobody's business."""
    parts = urlsplit(address)
    return f"{parts.scheme}://{parts.netloc}{parts.path}"


def distinct_names(kind: str) -> Callable[[tuple[T, ...]], tuple[T, ...]]:
    """A check that no two tables of a kind (in the plural) have one name; it raises ValueError."""

    def checked(tables: tuple[T, ...]) -> tuple[T, ...]:
        names = [table.name for table in tables]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{name!r} names two {kind}; give each a name of its own")
        return tables

    return checked
