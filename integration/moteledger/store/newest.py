"""The newest readings as they are shown: what a clock that was ahead has stamped hides nothing that came since."""

from ..signals import OUTDOOR_FORECAST
from .readings import Reading
from .store import Store


def newest_until(store: Store, until_us: int) -> dict[str, Reading]:
    """The newest reading of every signal that is of no later time than `until_us`, by name. Raises StoreError.

    A signal of which there is nothing else is told by a later one all the same; so is a forecast, which is of a time to
    come.
    """
    newest = store.latest_all()
    for name, reading in tuple(newest.items()):
        if reading.time_us > until_us and name != OUTDOOR_FORECAST:
            newest[name] = store.latest(name, until_us=until_us) or reading
    return newest
