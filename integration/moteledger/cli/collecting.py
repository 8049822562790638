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
    allow_many_files()
    with Store.open(tokens_file(settings)) as store, HouseStores(houses) as stores:
        asyncio.run(_run(settings, store, stores, port, ready))
    return 0


def allow_many_files() -> None:
    """Take as many open files as the system gives: a house's store needs five or more, and many shells give 1024."""
    _, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    with suppress(ValueError, OSError):
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))


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
            tend(houses.take(house), to_us(now()), keep_raw_us)
        except StoreError as error:
            _log.warning(_NOT_TENDED, error)
