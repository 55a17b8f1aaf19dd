"""Coverage-guided fuzzing of everything that reads what a stranger wrote.

Run: ``.venv/bin/pip install atheris``, then ``.venv/bin/python benchmarks/fuzz.py [RUNS] [TARGET...]``.
Each target is a process of its own under libFuzzer, which mutates inputs towards branches of nodeday
not seen yet, and stops it where an input takes more than 20 seconds or 512 MB. An input may be taken
or refused with one of nodeday's own sentences; any other exception is a failure. Of captures, frames
and rejects must tile the bytes, whatever pieces they come in. A failure leaves its input behind.
Ends with a table, which goes to ``fuzz.json`` as well.
"""

from __future__ import annotations

import gzip
import importlib.util
import json
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

HOUSE = Path(__file__).parents[1]
CONFIG = HOUSE / "config"
MOST_MB, MOST_SECONDS, MOST_BYTES = 512, 20, 1024
SHARES = {
    "packets": 0.64, "sheet": 0.1, "recorded": 0.1, "archive": 0.06, "sync": 0.02, "cobs": 0.02, "slip": 0.02,
    "hdlc": 0.02, "settings": 0.01, "layout": 0.01,
}  # fmt: skip
"""Targets, and their part of all runs: more where a run is quick."""
AT_ONCE = {"archive": 2000}
"""Runs of one process. The library that unpacks keeps some 130 kB of each archive that fails."""
Try = Callable[[bytes], None]


def _scratch() -> Path:
    """A file in memory where there is one, written anew for each input."""
    home = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    return Path(tempfile.mkdtemp(prefix="fuzz-", dir=home)) / "input"


def _packets() -> Try:
    from nodeday.frames.packets import PACKET_MAGIC, Packets

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
    from nodeday.errors import NodedayError
    from nodeday.frames.containers import Unpacker

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

    from nodeday.frames.decode import Decoder
    from nodeday.frames.judge import Spoken
    from nodeday.frames.scan import scan

    layout, names = _layout(framing)
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
                ends = found.frames.offset + found.frames.length
                spans += list(zip(found.frames.offset, ends, strict=True))
                rejects = found.rejects
            spans += [(each.start, each.end) for each in rejects]
        at = 0
        for start, end in sorted(spans):
            assert start == at < end, f"bytes from {at} to {start}"
            at = end
        assert at == len(raw)

    return one


def _layout(framing: str):  # type: ignore[no-untyped-def]
    import yaml

    from nodeday.layouts import Layout
    from nodeday.settings import Study

    told = yaml.safe_load((CONFIG / "layouts" / "beltframe.yaml").read_text())
    told |= {"framing": framing, "sync": told["sync"] if framing == "sync" else ""}
    names = {address: node.node for address, node in Study(HOUSE).nodes_of("S01-clean").items()}
    return Layout.model_validate(told), names


def _read(what: str) -> Try:
    """Files of settings: the first byte chooses what the text is taken for."""
    from nodeday import sheetfile, yamlfile
    from nodeday.benchfile import BenchPlan
    from nodeday.devices.radiofile import RadioPlan
    from nodeday.errors import NodedayError
    from nodeday.layouts import load_layout
    from nodeday.sections import Event, Node, Participant, Session, StudyFile
    from nodeday.simulate.scenario import Scenario

    rows = (Participant, Session, Node, Event)
    files = (StudyFile, Scenario, BenchPlan, RadioPlan)
    path = _scratch().with_suffix(".yaml")

    def one(data: bytes) -> None:
        which, text = (data[0] % 4, data[1:]) if data else (0, b"")
        path.write_bytes(text)
        try:
            if what == "sheet":
                sheetfile.load(path, rows[which])
            elif what == "settings":
                yamlfile.load(path, files[which])
            else:
                load_layout(path)
        except NodedayError:
            return

    return one


def _recorded() -> Try:
    from nodeday.errors import NodedayError
    from nodeday.frames.decode import Decoder
    from nodeday.frames.recorded import Recording, columns_of, form_of

    layout, names = _layout("sync")
    path, columns = _scratch(), columns_of(HOUSE, layout)

    def one(data: bytes) -> None:
        path.write_bytes(data)
        try:
            if form_of(path, columns):
                decoder = Decoder([layout], names)
                for block in Recording([path], columns, [layout], names).blocks():
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


def seeds(target: str) -> Iterator[bytes]:
    """Honest inputs to begin with."""
    if target == "sheet":
        names = ("participants", "sessions", "nodes", "events")
        yield from (bytes([at]) + (CONFIG / f"{name}.tsv").read_bytes() for at, name in enumerate(names))
    elif target == "settings":
        names = ("study", "scenario", "bench", "radio")
        yield from (bytes([at]) + (CONFIG / f"{name}.yaml").read_bytes() for at, name in enumerate(names))
    elif target == "layout":
        yield from (b"\0" + path.read_bytes() for path in (CONFIG / "layouts").glob("*.yaml"))
    elif target == "recorded":
        head = "node,stream,sequence,ticks,time," + ",".join(f"ecg_{k}" for k in range(20))
        rows = [f"heart,ecg,{n},{n * 2621},2026-07-14T05:00:00.{n * 80:03}Z," + ",".join(["2048"] * 20)
                for n in range(4)]  # fmt: skip
        yield "\n".join([head, *rows]).encode()
        single = [f"heart,ecg,{n // 20},{n},{n}" for n in range(40)]
        yield "\n".join(["node,stream,sequence,time,ecg", *single]).encode()
    else:
        yield from _bytes(target)


def _bytes(target: str) -> Iterator[bytes]:
    import pyarrow as arrow

    from nodeday.settings import Study
    from nodeday.simulate.scenario import random_scenario
    from nodeday.simulate.session import simulate_session

    nodes = Study(HOUSE).nodes_of("S01-clean")
    framing = target if target in ("sync", "cobs", "slip", "hdlc") else "sync"
    whole = simulate_session(random_scenario(11), _layout(framing)[0], nodes)[0]
    parts = [whole[at : at + 600] for at in range(0, 6000, 600)]
    if framing == target:
        yield from (bytes([at]) + part for at, part in enumerate(parts))
    pcaps = [_pcap(part, link) for part, link in zip(parts, (147, 1, 101), strict=False)] + [
        _pcapng(parts[3])
    ]
    if target == "packets":
        yield from pcaps
    elif target == "archive":
        for part in (*parts[:2], *pcaps):
            yield part
            yield gzip.compress(part, mtime=0)
            yield arrow.compress(part, "zstd", asbytes=True)


def _pcap(raw: bytes, link: int) -> bytes:
    """A pcap file of three packets: the bytes alone, or as UDP in IPv4, in Ethernet where ``link`` is 1."""
    out = b"\xd4\xc3\xb2\xa1\x02\x00\x04\x00" + bytes(8) + (65535).to_bytes(4, "little")
    out += link.to_bytes(4, "little")
    for at in range(0, len(raw), 200):
        part = raw[at : at + 200]
        udp = b"\x13\x88\x13\x88" + (len(part) + 8).to_bytes(2, "big") + b"\0\0" + part
        inside = b"\x45\0" + (len(udp) + 20).to_bytes(2, "big") + bytes(4) + b"\x40\x11" + bytes(10) + udp
        packet = {147: part, 1: bytes(12) + b"\x08\0" + inside, 101: inside}[link]
        out += bytes(8) + 2 * len(packet).to_bytes(4, "little") + packet
    return out


def _pcapng(raw: bytes) -> bytes:
    def block(kind: int, body: bytes) -> bytes:
        size = (len(body) + 12).to_bytes(4, "little")
        return kind.to_bytes(4, "little") + size + body + size

    head = block(0x0A0D0D0A, b"\x4d\x3c\x2b\x1a\x01\0\0\0" + b"\xff" * 8)
    link = block(1, (147).to_bytes(4, "little") + bytes(4))
    data = raw[:200]
    return (
        head
        + link
        + block(6, bytes(12) + 2 * len(data).to_bytes(4, "little") + data)
        + block(3, len(data).to_bytes(4, "little") + data)
    )


def fuzz(target: str, arguments: list[str]) -> None:
    """Hand this process over to libFuzzer."""
    import atheris

    with atheris.instrument_imports(include=["nodeday", "dpkt", "csv", "yaml"]):
        one = tried(target)
    atheris.Setup([target, *arguments], one)
    atheris.Fuzz()


def _run(target: str, runs: int) -> dict[str, Any]:
    """Fuzz one target in processes of its own, with what the ones before found; what came of it."""
    row: dict[str, Any] = {"target": target, "executions": 0, "seconds": 0.0, "branches": 0, "new_inputs": 0,
                           "peak_mb": 0, "failed": False}  # fmt: skip
    with tempfile.TemporaryDirectory(prefix=f"corpus-{target}-") as folder:
        for number, seed in enumerate(seeds(target)):
            (Path(folder) / f"seed{number}").write_bytes(seed)
        while row["executions"] < runs and not row["failed"]:
            part = min(runs - row["executions"], AT_ONCE.get(target, runs))
            begin = time.perf_counter()
            done = subprocess.run(_command(target, part, folder), capture_output=True, check=False)
            text = done.stderr.decode(errors="replace")
            said = {key: int(value) for key, value in re.findall(r"stat::(\w+):\s+(\d+)", text)}
            row["executions"] += said.get("number_of_executed_units", 0)
            row["seconds"] += time.perf_counter() - begin
            row["branches"] = max([row["branches"], *(int(each) for each in re.findall(r"cov: (\d+)", text))])
            row["new_inputs"] += said.get("new_units_added", 0)
            row["peak_mb"] = max(row["peak_mb"], said.get("peak_rss_mb", 0))
            row["failed"] = done.returncode != 0
            if row["failed"]:
                print(text[-4000:], file=sys.stderr)
    return row


def _command(target: str, runs: int, folder: str) -> list[str]:
    return [
        sys.executable, __file__, "--one", target, f"-runs={runs}", f"-rss_limit_mb={MOST_MB}",
        f"-timeout={MOST_SECONDS}", f"-max_len={MOST_BYTES}", "-print_final_stats=1", folder,
    ]  # fmt: skip


def main() -> int:
    if sys.argv[1:2] == ["--one"]:
        fuzz(sys.argv[2], sys.argv[3:])
        return 0
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed: .venv/bin/pip install atheris")
        return 2
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 200_000
    rows = []
    print(
        f"{'target':<10} {'executions':>11} {'seconds':>8} {'branches':>9} {'new inputs':>11} {'peak MB':>8}"
    )
    for target in sys.argv[2:] or SHARES:
        row = _run(target, int(total * (1 if sys.argv[2:] else SHARES[target])))
        rows.append(row)
        print(f"{target:<10} {row['executions']:>11} {row['seconds']:>8.0f} {row['branches']:>9} "
              f"{row['new_inputs']:>11} {row['peak_mb']:>8}  {'FAILED' if row['failed'] else ''}",
              flush=True)  # fmt: skip
        Path("fuzz.json").write_text(json.dumps(rows, indent=2) + "\n")
    print(f"{sum(row['executions'] for row in rows)} executions")
    return int(any(row["failed"] for row in rows))


if __name__ == "__main__":
    sys.exit(main())
