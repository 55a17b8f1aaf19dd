"""A firmware's frames, described in a layout file: the description, and bytes to fields and back."""

from nodeday.layouts.codec import decode_fields, encode_frames, pack_counts, unpack_counts
from nodeday.layouts.model import Channel, Field, Kind, Layout, load_layout

__all__ = [
    "Channel", "Field", "Kind", "Layout", "decode_fields", "encode_frames", "load_layout",
    "pack_counts", "unpack_counts",
]  # fmt: skip
