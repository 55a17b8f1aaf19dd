"""What the fuzzer does with an input of each target; see `fuzz.py`.

Nodeday is imported inside, where the fuzzer has made itself ready to watch its branches.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).parents[1]
CONFIG = ROOT / "config"
Try = Callable[[bytes], None]


def _scratch() -> Path:
    """A file in memory where there is one, written anew for each input."""
    home = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    return Path(tempfile.mkdtemp(prefix="fuzz-", dir=home)) / "input"


def _packets() -> Try:
    from nodeday.stages.frames.packets import PACKET_MAGIC, Packets

    def one(data: bytes) -> None:
        kind = PACKET_MAGIC.get(data[:4])
        if kind is None:
            data, kind = b"\x0a\x0d\x0d\x0a" + data, "pcapng"
        packets = Packets(data[:100], iter([data[100:]]), kind)
        carried = sum(map(len, packets.pieces(50)))
        assert carried == packets.taken
        assert min(packets.container, packets.skipped) >= 0
        assert carried + packets.container + packets.skipped <= len(data)

    return one


def _archive() -> Try:
    from nodeday.core.errors import NodedayError
    from nodeday.stages.frames.containers import Unpacker

    path = _scratch()

    def one(data: bytes) -> None:
        path.write_bytes(data)
        source = Unpacker([path])
        try:
            size = sum(map(len, source.pieces()))
        except NodedayError:
            return
        facts = source.facts[0]
        assert size == source.size == facts.taken
        assert facts.taken + facts.container + facts.skipped + facts.lost == facts.unpacked
        assert 0 <= facts.read <= facts.size

    return one


def _capture(framing: str) -> Try:
    import numpy as np

    from nodeday.stages.frames.decode import Decoder
    from nodeday.stages.frames.scan import scan
    from nodeday.stages.frames.validate import Spoken

    layout, names = layout_with(framing)
    spoken = [Spoken(layout, np.array(sorted(names)))]

    def one(data: bytes) -> None:
        # The first byte says how the rest is cut; one in 32 is made into a table too, which takes long.
        head, raw = (data[0], data[1:]) if data else (0, b"")
        piece, decoder, spans = 100 + 4 * head, Decoder([layout], names), []
        whole = sum(data) % 32 == 0
        for block in scan((raw[at : at + piece] for at in range(0, len(raw), piece)), spoken):
            rejects = block.rejects
            if not whole:
                spans += [span for each in block.frames for span in zip(each.start, each.end, strict=True)]
            else:
                found = decoder.decode(block)
                starts, lengths = (found.frames[name].to_numpy() for name in ("offset", "length"))
                spans += list(zip(starts, starts + lengths, strict=True))
                rejects = found.rejects
            spans += [(each.start, each.end) for each in rejects]
        at = 0
        for start, end in sorted(spans):
            assert start == at < end, f"bytes from {at} to {start}"
            at = end
        assert at == len(raw)

    return one


def layout_with(framing: str):  # type: ignore[no-untyped-def]
    import yaml

    from nodeday.config.study import Study
    from nodeday.layouts import Layout

    told = yaml.safe_load((CONFIG / "layouts" / "beltframe.yaml").read_text())
    told |= {"framing": framing, "sync": told["sync"] if framing == "sync" else ""}
    names = {address: node.node for address, node in Study(ROOT).nodes_of("S01-clean").items()}
    return Layout.model_validate(told), names


def _read(what: str) -> Try:
    """Files of settings: the first byte chooses what the text is taken for."""
    from nodeday.config.bench_plan import BenchPlan
    from nodeday.config.models import Event, Node, Participant, Session, StudyFile
    from nodeday.core import tsv_io, yaml_io
    from nodeday.core.errors import NodedayError
    from nodeday.layouts import load_layout
    from nodeday.stages.devices.radio_plan import RadioPlan
    from nodeday.stages.simulate.scenario import Scenario

    rows = (Participant, Session, Node, Event)
    files = (StudyFile, Scenario, BenchPlan, RadioPlan)
    path = _scratch().with_suffix(".yaml")

    def one(data: bytes) -> None:
        which, text = (data[0] % 4, data[1:]) if data else (0, b"")
        path.write_bytes(text)
        try:
            if what == "sheet":
                tsv_io.load(path, rows[which])
            elif what == "settings":
                yaml_io.load(path, files[which])
            else:
                load_layout(path)
        except NodedayError:
            return

    return one


def _recorded() -> Try:
    from nodeday.core.errors import NodedayError
    from nodeday.stages.frames.decode import Decoder
    from nodeday.stages.frames.reading import reading_of
    from nodeday.stages.frames.recorded import DecodedRecording, form_of

    layout, names = layout_with("sync")
    path, reading = _scratch(), reading_of(ROOT, layout)

    def one(data: bytes) -> None:
        path.write_bytes(data)
        try:
            if form_of(path, reading):
                decoder = Decoder([layout], names)
                for block in DecodedRecording([path], reading, [layout], names).blocks():
                    decoder.decode(block)
        except NodedayError:
            return

    return one


def tried(target: str) -> Try:
    """What is done with each input of ``target``."""
    if target in ("sync", "cobs", "slip", "hdlc"):
        return _capture(target)
    if target in ("sheet", "settings", "layout"):
        return _read(target)
    return {"packets": _packets, "archive": _archive, "recorded": _recorded}[target]()
