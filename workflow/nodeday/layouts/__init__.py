"""A firmware's frames, described in a layout file: the description, and bytes to fields and back."""

from nodeday.layouts.codec import decode_fields, encode_frames, instant_of, pack_counts, unpack_counts
from nodeday.layouts.model import Layout, load_layout
from nodeday.layouts.parts import Channel, Field, Kind
from nodeday.layouts.stuffing import stuff

__all__ = [
    "Channel",
    "Field",
    "Kind",
    "Layout",
    "decode_fields",
    "encode_frames",
    "instant_of",
    "load_layout",
    "pack_counts",
    "stuff",
    "unpack_counts",
]
