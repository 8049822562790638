"""Takes readings in, whatever way they come; all end in `accept`."""

from .accept import Taken, accept, accept_converted, what_became_of
from .arrivals import Arrivals, Source, SourceReport, SourcesReport
from .backfill import backfill
from .blocks import RecordingError
from .columns import Chunk
from .mapping import Converted, converted
from .moments import moment_us, moments_us, text_of
from .recording import Recording, read_recording, recording_chunks
from .records import Records, RecordsError, Refusal, read_records
from .retrying import PACE, Pace, SourceError, keep_trying, stop_if_cancelled
from .rooms import MOST_ROOMS, Rooms
from .sources import run_sources

__all__ = [
    "MOST_ROOMS",
    "PACE",
    "Arrivals",
    "Chunk",
    "Converted",
    "Pace",
    "Recording",
    "RecordingError",
    "Records",
    "RecordsError",
    "Refusal",
    "Rooms",
    "Source",
    "SourceError",
    "SourceReport",
    "SourcesReport",
    "Taken",
    "accept",
    "accept_converted",
    "backfill",
    "converted",
    "keep_trying",
    "moment_us",
    "moments_us",
    "read_recording",
    "read_records",
    "recording_chunks",
    "run_sources",
    "stop_if_cancelled",
    "text_of",
    "what_became_of",
]
