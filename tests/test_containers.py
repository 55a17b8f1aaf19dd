"""Capture files: archives, packets and decoded recordings, whole, damaged or cut; every byte told of."""

from __future__ import annotations

import gzip
import hashlib
import importlib
import io
import json
import struct
import zlib
from collections.abc import Callable
from pathlib import Path

import dpkt
import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.parquet as parquet
import pytest
from conftest import samples_in, stored
from hypothesis import given, settings
from hypothesis import strategies as st

from nodeday.config.study import Study
from nodeday.core.errors import ContractError, NodedayError
from nodeday.layouts import encode_frames, load_layout, pack_counts, unpack_counts
from nodeday.stages.frames import containers, stage
from nodeday.stages.frames.containers import FileFacts, Unpacker, sniff
from nodeday.storage import tables

ROOT = Path(__file__).parents[1]
LAYOUT = load_layout(ROOT / "config" / "layouts" / "beltframe.yaml")


def heart_frames(numbers: np.ndarray) -> list[bytes]:
    kind = LAYOUT.stream("ecg")
    counts = np.random.default_rng(1).integers(0, 4096, (len(numbers), kind.samples, 1))
    fields = {
        "node": 16,
        "sequence": numbers,
        "ticks": np.rint(numbers * 2621.44).astype(np.int64),
        "hub_time": numbers * 80 + 5,
        "battery": 150,
    }
    return [row.tobytes() for row in encode_frames(LAYOUT, kind, fields, pack_counts(counts, kind))]


FRAMES = heart_frames(np.arange(2000))
RAW = b"".join(FRAMES)


def zstd(data: bytes) -> bytes:
    sink = arrow.BufferOutputStream()
    with arrow.CompressedOutputStream(sink, "zstd") as out:
        out.write(data)
    return bytes(sink.getvalue().to_pybytes())


PACK = {"gzip": gzip.compress, "zstd": zstd}


def udp(payload: bytes, source: bytes = b"\x7f\0\0\1") -> bytes:
    datagram = dpkt.udp.UDP(sport=4000, dport=4001, data=payload)
    datagram.ulen = len(datagram)
    packet = dpkt.ip.IP(src=source, dst=source, p=17, data=datagram)
    packet.len = len(packet)
    return bytes(packet)


def ethernet(payload: bytes) -> bytes:
    return (b"\x02\0\0\0\0\1\x02\0\0\0\0\2\x08\0" + udp(payload)).ljust(60, b"\0")


def pcap(packets: list[bytes], link: int = 1, nano: bool = False) -> bytes:
    file = io.BytesIO()
    writer = dpkt.pcap.Writer(file, linktype=link, nano=nano)
    for number, packet in enumerate(packets):
        writer.writepkt_time(packet, number * 0.08)
    return file.getvalue()


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    padded = body + bytes(-len(body) % 4)
    size = struct.pack(f"{order}I", len(padded) + 12)
    return struct.pack(f"{order}I", kind) + size + padded + size


def section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(f"{order}IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def interface(link: int, order: str = "<", snap: int = 0) -> bytes:
    return block(1, struct.pack(f"{order}HHI", link, 0, snap), order)


def enhanced(packet: bytes, number: int = 0, order: str = "<") -> bytes:
    return block(6, struct.pack(f"{order}IIIII", number, 0, 0, len(packet), len(packet)) + packet, order)


def simple(packet: bytes, order: str = "<") -> bytes:
    return block(3, struct.pack(f"{order}I", len(packet)) + packet, order)


def unpacked(folder: Path, *files: bytes) -> tuple[bytes, list[FileFacts]]:
    """The stream of a capture of these files, each under a name that says nothing."""
    paths = []
    for number, data in enumerate(files):
        paths.append(folder / f"part{number}")
        paths[-1].write_bytes(data)
    reader = Unpacker(paths)
    stream = b"".join(reader.pieces())
    assert reader.size == len(stream)
    for facts, data in zip(reader.facts, files, strict=True):
        assert facts.sha256 == hashlib.sha256(data).hexdigest()
        assert facts.size == len(data) == facts.read + facts.unread
        assert facts.unpacked == facts.taken + facts.container + facts.skipped + facts.lost
        assert facts.unread >= 0
    return stream, reader.facts


# --- archives ------------------------------------------------------------------------------------


@pytest.mark.parametrize("codec", PACK)
def test_archives_of_several_members_and_files(codec: str, tmp_path: Path) -> None:
    """Frames lie across members and files, and a raw file may follow an archive."""
    pack = PACK[codec]
    first, second, third = RAW[:30_001], RAW[30_001:77_777], RAW[77_777:]
    stream, facts = unpacked(tmp_path, pack(first) + pack(second), third)
    assert stream == RAW
    assert [each.packed for each in facts] == [codec, ""]
    assert not facts[0].troubles
    assert facts[0].unpacked == len(first + second)


@pytest.mark.parametrize("codec", PACK)
@settings(deadline=None, max_examples=25)
@given(st.data())
def test_a_cut_archive_gives_all_that_was_good(
    codec: str, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Byte by byte, zlib gives the most that can be had of a cut gzip member; the reader no less."""
    packed = PACK[codec](RAW)
    cut = data.draw(st.integers(20, len(packed) - 1))
    stream, (facts,) = unpacked(tmp_path_factory.mktemp("cut"), packed[:cut])
    assert RAW.startswith(stream)
    if codec == "gzip":
        assert stream == zlib.decompressobj(31).decompress(packed[:cut])
    assert len(facts.troubles) == 1
    assert facts.troubles[0].startswith(f"{codec} archive is cut off within its first {cut} of {cut} bytes")


@pytest.mark.parametrize("codec", PACK)
def test_what_follows_an_archive_is_told_and_takes_nothing_with_it(codec: str, tmp_path: Path) -> None:
    stream, (facts, other) = unpacked(tmp_path, PACK[codec](RAW) + b"no archive" * 9, b"next file")
    assert stream == RAW + b"next file"
    assert len(facts.troubles) == 1
    assert "is damaged" in facts.troubles[0]
    assert not other.troubles


@settings(deadline=None, max_examples=25)
@given(st.data())
def test_damage_never_ends_in_a_traceback(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    codec = data.draw(st.sampled_from([*PACK, "pcap", "pcapng"]))
    made = {
        "pcap": pcap([ethernet(frame) for frame in FRAMES[:200]]),
        "pcapng": section() + interface(1) + b"".join(enhanced(ethernet(frame)) for frame in FRAMES[:200]),
    }
    raw = bytearray(made.get(codec) or PACK[codec](RAW))
    for _ in range(data.draw(st.integers(1, 4))):
        raw[data.draw(st.integers(4, len(raw) - 1))] ^= data.draw(st.integers(1, 255))
    unpacked(tmp_path_factory.mktemp("bad"), bytes(raw))


@pytest.mark.parametrize("codec", PACK)
def test_an_archive_that_grows_without_measure_is_refused(
    codec: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "bomb"
    path.write_bytes(PACK[codec](bytes(80 << 20)))
    with pytest.raises(ContractError) as error:
        list(Unpacker([path]).pieces())
    assert str(error.value) == (
        f"{path}: unpacks to more than 200 times its size; expected frames, which do not shrink so far. "
        "Unpack it by hand if it is a capture."
    )
    monkeypatch.setattr(containers, "MAX_UNPACKED", 1 << 20)
    path.write_bytes(PACK[codec](RAW * 20))
    with pytest.raises(ContractError, match="unpacks to more than 0 GiB"):
        list(Unpacker([path]).pieces())


def test_first_bytes_tell_and_names_do_not() -> None:
    """RFC 1952 2.3.1; RFC 8878 3.1.1 and 3.1.2; pcap and pcapng by the tcpdump group's drafts."""
    skippable = b"\x5e\x2a\x4d\x18\0\0\0\0"
    heads = {
        b"\x1f\x8b\x08\0": "gzip",
        b"\x1f\x8b\x08\xff": "raw",
        b"\x28\xb5\x2f\xfd": "zstd",
        skippable: "zstd",
        b"\xd4\xc3\xb2\xa1": "pcap",
        b"\x4d\x3c\xb2\xa1": "pcap",
        b"\x0a\x0d\x0d\x0a": "pcapng",
        b"\xd3\x91\0\0": "raw",
        b"": "raw",
        b"\x1f": "raw",
    }
    assert {head: sniff(head) for head in heads} == heads


# --- packets -------------------------------------------------------------------------------------


@pytest.mark.parametrize("nano", [False, True])
def test_user_link_types_carry_the_capture_itself(nano: bool, tmp_path: Path) -> None:
    """A frame lies across packets."""
    stream, (facts,) = unpacked(tmp_path, pcap([RAW[:100], RAW[100:1000], RAW[1000:]], 147, nano))
    assert stream == RAW
    assert (facts.packets, facts.container, facts.skipped) == ("pcap", 24 + 3 * 16, 0)


def test_datagrams_by_every_way_they_travel(tmp_path: Path) -> None:
    """Ethernet pads short packets; a VLAN tag, IPv6, raw IP, loopback and a cooked header are peeled off."""
    frame = FRAMES[0]
    tagged = ethernet(frame)[:12] + b"\x81\0\0\7" + ethernet(frame)[12:]
    datagram = udp(frame)[20:]
    six = struct.pack(">IHBB", 6 << 28, len(datagram), 17, 64) + bytes(32) + datagram
    on_six = ethernet(b"")[:12] + b"\x86\xdd" + six
    cooked = struct.pack(">HHHQH", 0, 1, 6, 0, 0x0800) + udp(frame)
    loop = struct.pack("<I", 2) + udp(frame)
    for link, packets in (
        (1, [ethernet(frame), tagged, on_six, ethernet(b"ab")]),
        (101, [udp(frame), six]),
        (113, [cooked]),
        (0, [loop]),
    ):
        stream, (facts,) = unpacked(tmp_path, pcap(packets, link))
        assert stream == frame * (len(packets) - (link == 1)) + (b"ab" if link == 1 else b""), link
        assert not facts.troubles


def test_other_packets_are_left_out_and_counted(tmp_path: Path) -> None:
    tcp = bytearray(ethernet(FRAMES[1]))
    tcp[23] = 6
    part = bytearray(ethernet(FRAMES[1]))
    part[20] = 0x20  # more fragments follow
    stream, (facts,) = unpacked(tmp_path, pcap([ethernet(FRAMES[0]), bytes(tcp), bytes(part), b"short"]))
    assert stream == FRAMES[0]
    assert facts.skipped == len(tcp) + len(part) + 5
    assert facts.troubles == ["3 packets were left out: no whole UDP datagram"]
    stream, (facts,) = unpacked(tmp_path, pcap([FRAMES[0]], 105))
    assert stream == b""
    assert facts.troubles == ["1 packets were left out: link type 105 is not known here"]


def test_pcapng_of_several_sections_interfaces_and_kinds_of_packet(tmp_path: Path) -> None:
    old = block(2, struct.pack("<HHIIII", 1, 0, 0, 0, len(FRAMES[2]), len(FRAMES[2])) + FRAMES[2])
    unknown = block(0x80000001, b"whatever")
    raw = (
        section()
        + interface(1)
        + interface(148)
        + enhanced(ethernet(FRAMES[0]))
        + unknown
        + enhanced(FRAMES[1], 1)
        + old
        + section(">")
        + interface(147, ">")
        + simple(FRAMES[3], ">")
        + enhanced(FRAMES[4], 0, ">")
    )
    stream, (facts,) = unpacked(tmp_path, raw)
    assert stream == b"".join(FRAMES[:5])
    assert (facts.packets, facts.troubles) == ("pcapng", [])
    stream, (facts, _) = unpacked(tmp_path, gzip.compress(raw), raw)
    assert stream == b"".join(FRAMES[:5]) * 2
    assert (facts.packed, facts.packets) == ("gzip", "pcapng")


@pytest.mark.parametrize("form", ["pcap", "pcapng"])
def test_a_cut_or_impossible_packet_ends_the_file_with_a_sentence(form: str, tmp_path: Path) -> None:
    whole = {
        "pcap": pcap([ethernet(frame) for frame in FRAMES[:3]]),
        "pcapng": section() + interface(1) + b"".join(enhanced(ethernet(frame)) for frame in FRAMES[:3]),
    }[form]
    stream, (facts,) = unpacked(tmp_path, whole[:-20])
    assert stream.startswith(b"".join(FRAMES[:2]))
    assert len(facts.troubles) == 1
    assert facts.troubles[0].startswith(f"{form} file ends inside a packet or block, after ")
    broken = bytearray(whole)
    place = whole.index(ethernet(FRAMES[1])) - (8 if form == "pcap" else 24)
    broken[place : place + 4] = b"\xff\xff\xff\x7f"
    stream, (facts,) = unpacked(tmp_path, bytes(broken))
    assert stream == FRAMES[0]
    assert "cannot be read past 1 packets" in facts.troubles[0]
    assert "2147483" in facts.troubles[0]
    assert facts.lost > 0


# --- through the stage ----------------------------------------------------------------------------


def run(folder: Path) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Frames and ledger of the session S1."""
    study = Study(folder)
    stage.run(study, "S1")
    frames = stored(study.results, "frames", "S1")
    ledger = tables.read(tables.path(study.results, "ledger", "S1", "frames"), "ledger")
    assert (ledger.entered == ledger.accounted).all()
    return frames, ledger


def test_ledger_and_record_of_a_cut_archive_of_packets(
    study_folder: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    folder = study_folder()
    packed = gzip.compress(pcap([ethernet(frame) for frame in FRAMES]))[:-2000]
    (folder / "captures" / "S1.bin").write_bytes(packed)
    frames, ledger = run(folder)
    assert 1500 < len(frames) < 2000
    assert (frames.status == "good").all()
    parts = dict(zip(ledger.quantity, ledger.detail, strict=True))
    assert parts["file bytes"] == f"gzip {len(packed)}"
    assert parts["unpacked bytes"].startswith("taken ")
    told = capsys.readouterr().err
    assert f"session S1, S1.bin: gzip archive is cut off within its first {len(packed)} of" in told
    (facts,) = json.loads((folder / "results" / "captures" / "S1.json").read_text())
    assert facts["sha256"] == hashlib.sha256(packed).hexdigest()
    assert facts["bytes"] == len(packed)
    assert len(facts["troubles"]) == 2


def test_a_capture_of_which_nothing_can_be_read(study_folder: Callable[..., Path]) -> None:
    folder = study_folder()
    (folder / "captures" / "S1.bin").write_bytes(gzip.compress(RAW)[:12])
    with pytest.raises(ContractError) as error:
        run(folder)
    assert str(error.value).startswith(
        f"session S1, {folder}/captures/S1.bin: only 0 of 0 bytes are frames of layout beltframe; "
        "S1.bin: gzip archive is cut off within its first 12 of 12 bytes; 0 bytes could be unpacked. "
        "Check the layout"
    )


# --- decoded recordings --------------------------------------------------------------------------


RECORDED = """
layout: recorded
sync: 5A
frame:
  - {name: address, role: node, bits: 8}
  - {name: kind, role: kind, bits: 8}
  - {name: counter, role: sequence, bits: 16}
  - {name: ticks, role: ticks, bits: 32, rate_hz: 1000}
  - {name: payload, role: payload}
  - {name: hub, role: hub_time, bits: 64, unit_ns: 1000}
kinds:
  - {kind: 1, stream: ecg, rate_hz: 250, samples: 5, bits: 16, signed: true, stamp: last,
     channels: [{name: ecg, unit: mV, scale: 0.01}]}
  - {kind: 2, stream: acc, rate_hz: 50, samples: 2, bits: 16, signed: true, stamp: last,
     channels: [{name: x, unit: g, scale: 0.01}, {name: y, unit: g, scale: 0.01}]}
  - {kind: 15, stream: mark, every_s: 2, fields: [{name: utc, role: utc, bits: 64, unit_ns: 1000000}]}
"""
SESSIONS = "session\tparticipant\tcaptures\tlayout\nS1\tP1\tcaptures/{name}\trecorded\n"


@pytest.fixture
def recorded_study(study_folder: Callable[..., Path]) -> Callable[..., Path]:
    def make(content: str | pd.DataFrame, mapping: str = "") -> Path:
        folder = study_folder(**{"sessions.tsv": SESSIONS.format(name="day")})
        (folder / "config" / "layouts" / "recorded.yaml").write_text(RECORDED)
        path = folder / "captures" / "day"
        if isinstance(content, str):
            path.write_text(content)
        else:
            content.to_parquet(path)
        if mapping:
            (folder / "config" / "recorded").mkdir()
            (folder / "config" / "recorded" / "recorded.yaml").write_text(mapping)
        return folder

    return make


def by_frame(n: int = 300) -> pd.DataFrame:
    """Frames of the heart's ECG each 20 ms, 100 to 119 lost; times of a 300-frame day in UTC."""
    at = np.setdiff1d(np.arange(n), np.arange(100, 120))
    counts = np.random.default_rng(2).integers(-500, 500, (n, 5))[at]
    time = pd.Timestamp("2026-07-14T05:00:00Z") + pd.to_timedelta(at * 20, unit="ms")
    return pd.DataFrame(
        {"node": "heart", "stream": "ecg", "sequence": at + 7, "ticks": at * 20 + 16, "time": time}
        | {f"ecg_{place}": counts[:, place] for place in range(5)}
    )


@pytest.mark.parametrize("form", ["csv", "parquet", "samples", "physical"])
def test_recordings_enter_as_frames(form: str, recorded_study: Callable[..., Path]) -> None:
    table, mapping = by_frame(), ""
    counts = table[[f"ecg_{place}" for place in range(5)]].to_numpy()
    if form == "csv":
        content: str | pd.DataFrame = table.to_csv(index=False)
    elif form == "parquet":
        content = table
    else:
        content = table.loc[table.index.repeat(5), ["node", "stream", "sequence", "ticks", "time"]]
        name = "potential" if form == "physical" else "ecg"
        content[name] = counts.ravel() / 100 if form == "physical" else counts.ravel()
        if form == "physical":
            content = content.rename(columns={"sequence": "packet", "node": "unit"}).to_csv(
                index=False, sep=";"
            )
            mapping = (
                "node: unit\nsequence: packet\nvalues: physical\nseparator: ;\nchannels: {ecg: potential}\n"
            )
    frames, ledger = run(recorded_study(content, mapping))
    own = frames[frames.stream == "ecg"]
    assert own.seq.tolist() == table.sequence.tolist()
    assert own.ticks.tolist() == table.ticks.tolist()
    assert (own.status == "good").all()
    payload = np.frombuffer(b"".join(own.payload), np.uint8).reshape(len(own), -1)
    kind = load_layout_text(RECORDED).stream("ecg")
    assert np.array_equal(unpack_counts(payload, kind)[:, :, 0], counts)
    marks = frames[frames.node == "hub"]
    assert len(marks) == 3
    off_ns = marks.mark_utc_ns.to_numpy(np.int64) - marks.hub_ns.to_numpy()
    assert (off_ns == off_ns[0]).all()
    rows = ledger[ledger.quantity == "rows"].iloc[0]
    assert rows.entered == len(table) * (5 if form in ("samples", "physical") else 1)


def test_a_recording_goes_through_the_stage_and_keeps_its_times(recorded_study: Callable[..., Path]) -> None:
    """UTC comes from the file's own instants, to their millisecond; 20 frames of 5 samples are missing."""
    table = by_frame(3000)
    study = Study(recorded_study(table.to_csv(index=False)))
    for name in ("frames", "clock", "loss", "repair"):
        importlib.import_module(f"nodeday.stages.{name}.stage").run(study, "S1")
    samples = samples_in(study, "S1", "heart", "ecg")
    assert samples.origin.value_counts()[["measured", "missing"]].tolist() == [2980 * 5, 20 * 5]
    last = samples[samples.position == 4].set_index("seq").utc_ns
    told = pd.Series(table.time.astype("datetime64[ns, UTC]").astype(np.int64).to_numpy(), table.sequence)
    assert (last[table.sequence] - told).abs().max() < 2_000_000


def load_layout_text(text: str):  # type: ignore[no-untyped-def]
    import yaml

    from nodeday.layouts import Layout

    return Layout.model_validate(yaml.safe_load(text))


def changed(**cells: object) -> str:
    table = by_frame(10).astype(object)
    for name, value in cells.items():
        table.loc[3, name] = value
    return table.to_csv(index=False)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (changed(ecg_2="high"), "{day} line 5: ecg_2 is 'high'; expected a whole number."),
        (changed(ecg_2=""), "{day} line 5: ecg_2 is empty; expected a whole number."),
        (
            changed(sequence=70_000),
            "{day} line 5: sequence is 70000; expected a number of the 16 bits that the layout gives it.",
        ),
        (
            changed(sequence=-1),
            "{day} line 5: sequence is -1; expected a number of the 16 bits that the layout gives it.",
        ),
        (changed(node="hart"), "{day} line 5: node is 'hart'; expected one of heart, 16."),
        (changed(stream="eeg"), "{day} line 5: stream is 'eeg'; expected one of ecg, acc."),
        (
            changed(time="2026-07-14 05:00"),
            "{day} line 5: time is '2026-07-14 05:00'; expected an "
            "instant with its offset from UTC, such as 2026-07-14T05:00:00Z.",
        ),
        (changed(ecg_2=40_000), "{day} line 5: ecg_2 is 40000; expected a count of 16 signed bits."),
        (
            by_frame(10).drop(columns="ecg_4").to_csv(index=False),
            "{day} line 1: no column ecg_4; expected "
            "it, for stream ecg. What is called otherwise can be told in config/recorded/.",
        ),
        (
            by_frame(10).drop(columns=["time", "ticks"]).to_csv(index=False),
            "{day} line 1: no column ticks; "
            "expected it, or time. What is called otherwise can be told in config/recorded/.",
        ),
        (
            "node,sequence,sequence\n",
            "{day} line 1: column sequence is there twice; expected each column once.",
        ),
        (
            "node,stream,sequence,time,ecg\n" + "".join(f"heart,ecg,{n // 5},{n},1\n" for n in range(13)),
            "{day}: the last frame of heart/ecg, number 2, has 3 rows; expected 5, the samples of a frame.",
        ),
        (
            "node,stream,sequence,time,ecg\n" + "".join(f"heart,ecg,{n // 4},{n},1\n" for n in range(12)),
            "{day} line 2: frame 0 of heart/ecg has 4 rows; expected 5, the samples of a frame.",
        ),
    ],
)
def test_a_wrong_row_is_named_with_its_line(
    content: str, message: str, recorded_study: Callable[..., Path]
) -> None:
    folder = recorded_study(content)
    with pytest.raises(NodedayError) as error:
        run(folder)
    assert str(error.value) == message.format(day=folder / "captures" / "day")


def test_a_ragged_line_is_named(recorded_study: Callable[..., Path]) -> None:
    lines = by_frame(10).to_csv(index=False).splitlines()
    lines[4] = lines[4].rsplit(",", 1)[0]
    folder = recorded_study("\n".join(lines) + "\n")
    with pytest.raises(ContractError, match="line 5: has 9 cells; expected 10"):
        run(folder)


def test_samples_between_two_counts_are_not_rounded_quietly(recorded_study: Callable[..., Path]) -> None:
    text = "sequence,stream,time,ecg\n" + "".join(
        f"0,ecg,{n},{n * 0.01 if n != 3 else 0.034}\n" for n in range(5)
    )
    folder = recorded_study(text, "values: physical\n")
    with pytest.raises(ContractError, match=r"line 5: ecg is 0.034, between two counts of channel ecg"):
        run(folder)


def test_a_packet_that_its_parser_stumbles_over_is_left_out(tmp_path: Path) -> None:
    """Found by fuzzing: a fragment header of IPv6 before one of hop-by-hop options, which the library
    that reads packets answers with an error of its own making."""
    body = bytes([0, 0, *bytes(6), 59, 0, *bytes(6)])
    strange = struct.pack(">IHBB", 6 << 28, len(body), 44, 64) + bytes(32) + body
    stream, facts = unpacked(tmp_path, pcap([strange, udp(RAW[:50])], link=101))
    assert stream == RAW[:50]
    assert facts[0].troubles == ["1 packets were left out: no whole UDP datagram"]


# --- what recordings bring along -----------------------------------------------------------------

RADIO_FIELDS = """  - {name: battery, role: battery, bits: 8, scale: 0.01, offset: 2.0}
  - {name: rssi, role: rssi, bits: 8, signed: true, scale: 0.5, offset: -74}
kinds:
"""


def layout_changed(folder: Path, old: str, new: str) -> None:
    path = folder / "config" / "layouts" / "recorded.yaml"
    assert old in path.read_text()
    path.write_text(path.read_text().replace(old, new))


@pytest.mark.parametrize("form", ["csv", "parquet", "samples"])
def test_what_was_not_measured_is_null(form: str, recorded_study: Callable[..., Path]) -> None:
    table = by_frame(10).assign(battery=3.5, rssi=-60.0)
    table.loc[2, "battery"], table.loc[4, "rssi"] = np.nan, np.inf
    table.loc[5, "rssi"], table.loc[6, "rssi"] = -np.inf, 1e300
    content: str | pd.DataFrame = table if form == "parquet" else table.to_csv(index=False)
    if form == "samples":
        content = table.loc[table.index.repeat(5)].drop(columns=[f"ecg_{at}" for at in range(5)])
        content["ecg"] = 7
    folder = recorded_study(content)
    layout_changed(folder, "kinds:\n", RADIO_FIELDS)
    frames = run(folder)[0].query("stream == 'ecg'").reset_index()
    assert np.flatnonzero(frames.battery_v.isna()).tolist() == [2]
    assert np.flatnonzero(frames.rssi_dbm.isna()).tolist() == [4, 5]
    assert frames.battery_v.drop(2).tolist() == pytest.approx([3.5] * 9)
    assert frames.rssi_dbm.drop([4, 5, 6]).tolist() == [-60.0] * 7


@pytest.mark.parametrize("mapping", ["", "values: physical\n"], ids=["counts", "physical"])
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300])
def test_a_sample_that_is_no_number_is_named(
    value: float, mapping: str, recorded_study: Callable[..., Path]
) -> None:
    table = by_frame(10).astype({"ecg_2": float})
    for at in range(5) if mapping else ():
        table[f"ecg_{at}"] /= 100
    table.loc[3, "ecg_2"] = value
    with pytest.raises(ContractError, match=r"day row 4: ecg_2 is .*; expected a "):
        run(recorded_study(table, mapping))


@pytest.mark.parametrize("time", ["nan", "1e30", "9300000000000", "soon"])
def test_a_time_that_is_no_instant_is_named(time: str, recorded_study: Callable[..., Path]) -> None:
    table = by_frame(10)
    table["time"] = table["time"].astype("datetime64[ns, UTC]").astype(np.int64) // 10**9
    table = table.astype({"time": object})
    table.loc[3, "time"] = time
    with pytest.raises(ContractError, match=r"day line 5: time is '?\w+'?; expected a number"):
        run(recorded_study(table.to_csv(index=False), "time_unit_ns: 1000000000\n"))


@pytest.mark.parametrize("samples", [1, 5])
def test_a_row_that_comes_again_is_a_duplicate(samples: int, recorded_study: Callable[..., Path]) -> None:
    rows = [(n, n * 20 * samples + k, n + k) for n in range(8) for k in range(samples)]
    again = rows[: 4 * samples] + rows[3 * samples :] + rows[6 * samples : 7 * samples]
    text = "stream,sequence,time,ecg\n" + "".join(f"ecg,{n},{at},{count}\n" for n, at, count in again)
    folder = recorded_study(text)
    layout_changed(folder, "samples: 5", f"samples: {samples}")
    frames, _ = run(folder)
    assert frames.seq.tolist() == [0, 1, 2, 3, 3, 4, 5, 6, 7, 6]
    assert np.flatnonzero(frames.status == "duplicate").tolist() == [4, 9]


def test_a_frame_of_doubled_samples_is_refused(recorded_study: Callable[..., Path]) -> None:
    text = "stream,sequence,time,ecg\n" + "".join(f"ecg,0,{n},{n // 2}\n" for n in range(10))
    with pytest.raises(ContractError, match=r"frame 0 of heart/ecg has 10 rows; expected 5"):
        run(recorded_study(text))


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_how_a_text_is_written_is_recognised(
    encoding: str, separator: str, recorded_study: Callable[..., Path]
) -> None:
    table = by_frame()
    folder = recorded_study("")
    text = table.to_csv(index=False, sep=separator)
    mark = "\ufeff" if encoding in ("utf-16-le", "utf-16-be") else ""
    (folder / "captures" / "day").write_bytes((mark + text).encode(encoding))
    own = run(folder)[0].query("stream == 'ecg'")
    assert own.seq.tolist() == table.sequence.tolist()
    assert (own.hub_ns.diff().dropna() > 0).all()


@pytest.mark.parametrize("form", ["csv", "parquet"])
@pytest.mark.parametrize("unit_ns", [1_000_000_000, 1_000_000, 1_000])
def test_times_since_1970_are_utc_where_that_is_declared(
    unit_ns: int, form: str, recorded_study: Callable[..., Path]
) -> None:
    table = by_frame()
    instants = table.time.astype("datetime64[ns, UTC]").astype(np.int64).to_numpy()
    text = [f"{ns // unit_ns}.{ns % unit_ns:0{len(str(unit_ns)) - 1}}".replace(".", ",") for ns in instants]
    decimal = table.assign(time=text).to_csv(index=False, sep=";")
    content = decimal if form == "csv" else table.assign(time=instants / unit_ns)
    folder = recorded_study(content, f"time_unit_ns: {unit_ns}\ntime_utc: true\ndecimal: ','\n")
    frames, _ = run(folder)
    marks, own = frames[frames.node == "hub"], frames[frames.stream == "ecg"]
    off_ns = marks.mark_utc_ns.to_numpy(np.int64) - marks.hub_ns.to_numpy()
    assert len(marks) == 3
    assert np.ptp(off_ns) <= (1_000_000 if form == "parquet" else 0)  # a float's last digit is rounded up
    assert np.abs(own.hub_ns.to_numpy() + off_ns.min() - instants).max() < 2_000


@pytest.mark.parametrize("written", ["%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%fZ"])
def test_instants_without_an_offset_are_utc_where_that_is_declared(
    written: str, recorded_study: Callable[..., Path]
) -> None:
    table = by_frame()
    text = table.assign(time=table.time.dt.strftime(written)).to_csv(index=False)
    frames, _ = run(recorded_study(text, "time_utc: true\n"))
    assert len(frames[frames.node == "hub"]) == 3


def test_decimal_commas_are_declared(recorded_study: Callable[..., Path]) -> None:
    table = by_frame(10)
    for at in range(5):
        table[f"ecg_{at}"] = (table[f"ecg_{at}"] / 100).map("{:.2f}".format).str.replace(".", ",")
    text = table.to_csv(index=False, sep=";")
    frames, _ = run(recorded_study(text, "values: physical\ndecimal: ','\n"))
    assert len(frames[frames.stream == "ecg"]) == 10


def test_a_parquet_file_with_a_column_twice_is_refused(recorded_study: Callable[..., Path]) -> None:
    folder = recorded_study(by_frame(10))
    path = folder / "captures" / "day"
    table = parquet.read_table(path)
    parquet.write_table(table.append_column("sequence", table["sequence"]), path)
    with pytest.raises(ContractError) as error:
        run(folder)
    assert str(error.value) == f"{path}: column sequence is there twice; expected each column once."
