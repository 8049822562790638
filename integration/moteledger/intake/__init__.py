"""Takes readings in, whatever way they come; all end in `accept`."""

from .accept import accept
from .blocks import RecordingError
from .columns import Chunk
from .moments import moment_us, moments_us, text_of
from .recording import Recording, read_recording, recording_chunks
from .records import Records, RecordsError, Refusal, read_records

__all__ = [
    "Chunk",
    "Recording",
    "RecordingError",
    "Records",
    "RecordsError",
    "Refusal",
    "accept",
    "moment_us",
    "moments_us",
    "read_recording",
    "read_records",
    "recording_chunks",
    "text_of",
]
