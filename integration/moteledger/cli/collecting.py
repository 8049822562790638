"""Running the collector: a contractor's service to which many houses send."""

import asyncio
import logging
import resource
from collections.abc import Callable, Coroutine, Iterable
from contextlib import suppress
from pathlib import Path

from ..settings import Collecting, read_collecting
from ..store import Store, StoreError, tend, to_us
from ..store.houses import HouseStores
from ..store.tokens import Tokens
from .listening import announce, every, listen_until_stopped, now, refuse_closed_door

_TEND_EVERY_S = 600.0
_FILES_OF_A_STORE, _FILES_OF_ITS_OWN = 8, 64
"""A store holds three files for its writer and three for each that reads at once; the service a few of its own."""
_MOST_OPEN, _LEAST_OPEN = 400, 8
_NOT_TENDED = "a store is not tended now, the next time will do: %s"

_log = logging.getLogger(__name__)


def collect(file: Path, port: int, ready: Callable[[str], None]) -> int:
    """Serve the collector of a file until interrupted; `ready` is told the address.

    Raises SettingsFileError, StoreError, PortError, TlsError, and ClosedDoorError when nobody could ask for anything.
    """
    settings = read_collecting(file)
    houses = settings.folder / "houses"
    try:
        houses.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StoreError(houses, f"cannot be made ({error.strerror}); check the path and its permissions") from error
    open_at_once = stores_at_once(allow_many_files(), settings.network.connections)
    with Store.open(tokens_file(settings)) as store, HouseStores(houses, open_at_once) as stores:
        asyncio.run(_run(settings, store, stores, port, ready))
    return 0


def allow_many_files() -> int:
    """Take as many open files as the system gives, and tell how many that is: many shells give 1024 at first."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))
    return resource.getrlimit(resource.RLIMIT_NOFILE)[0]


def stores_at_once(files: int, connections: int) -> int:
    """How many houses' stores may stay open with so many open files allowed and so many connections at once.

    Houses beyond that are served as well, each store being opened when it is asked for.
    """
    room = (
        files - connections - _FILES_OF_ITS_OWN if files != resource.RLIM_INFINITY else _MOST_OPEN * _FILES_OF_A_STORE
    )
    return min(max(room // _FILES_OF_A_STORE, _LEAST_OPEN), _MOST_OPEN)


def tokens_file(settings: Collecting) -> Path:
    """Where the collector keeps its tokens."""
    return settings.folder / "collector.sqlite"


async def _run(
    settings: Collecting, store: Store, houses: HouseStores, port: int, ready: Callable[[str], None]
) -> None:
    from ..api import create_collector  # noqa: PLC0415  only a service pays for loading it

    refuse_closed_door(settings.network, store)
    app = create_collector(Tokens(store), houses, settings, now)

    def works(bound: int) -> Iterable[Coroutine[None, None, None]]:
        yield every(_TEND_EVERY_S, lambda: _tend(houses, settings.store.keep_raw_us), _NOT_TENDED)
        if settings.network.announce:
            yield announce(settings.name, settings.network, bound)

    await listen_until_stopped(app, settings.network, port, works, ready)


def _tend(houses: HouseStores, keep_raw_us: int | None) -> None:
    """Tend every store; one that fails keeps no other from it."""
    for house in houses.ids():
        try:
            with houses.using(house) as store:
                tend(store, to_us(now()), keep_raw_us)
        except StoreError as error:
            _log.warning(_NOT_TENDED, error)
