"""Random and mutated captures through scanning and decoding: no exception, every byte once.

Run: ``.venv/bin/python benchmarks/fuzz.py [CAPTURES] [PROCESSES]``. Captures of up to 800 bytes in
four framings, cut into pieces of random size. What must hold for each: nothing is raised, frames
and rejects tile the bytes, and no memory is kept. A failure prints its seed and stops the run.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import time
from pathlib import Path

import numpy as np
import yaml

from nodeday.frames.decode import Decoder
from nodeday.frames.judge import Spoken
from nodeday.frames.scan import scan
from nodeday.layouts import Layout
from nodeday.settings import Study
from nodeday.simulate.scenario import random_scenario
from nodeday.simulate.session import simulate_session

HOUSE = Path(__file__).parents[1]
TOLD = yaml.safe_load((HOUSE / "config" / "layouts" / "beltframe.yaml").read_text())
DECODED = 16
"""One capture in so many is decoded to a table as well, which takes ten times as long as the scan."""
FRAMINGS = ("sync", "cobs", "slip", "hdlc")


def prepared() -> list[tuple[Layout, bytes, dict[int, str]]]:
    """A layout, an honest capture in it, and the nodes, for each framing."""
    nodes = Study(HOUSE).nodes_of("S01-clean")
    names = {address: node.node for address, node in nodes.items()}
    out = []
    for framing in FRAMINGS:
        told = {**TOLD, "framing": framing, "sync": TOLD["sync"] if framing == "sync" else ""}
        layout = Layout.model_validate(told)
        out.append((layout, simulate_session(random_scenario(11), layout, nodes)[0], names))
    return out


def mutated(whole: bytes, rng: np.random.Generator) -> bytes:
    """Noise, or a stretch of the honest capture with flips, cuts, insertions and repeats."""
    size = int(rng.integers(0, 800))
    if rng.random() < 0.2:
        return rng.bytes(size)
    at = int(rng.integers(0, max(len(whole) - size, 1)))
    raw = bytearray(whole[at : at + size])
    for _ in range(int(rng.integers(0, 6))):
        if not raw:
            break
        place, how = int(rng.integers(0, len(raw))), int(rng.integers(0, 4))
        if how == 0:
            raw[place] ^= int(rng.integers(1, 256))
        elif how == 1:
            del raw[place : place + int(rng.integers(1, 60))]
        elif how == 2:
            raw[place:place] = rng.bytes(int(rng.integers(1, 30)))
        else:
            raw[place:place] = raw[max(place - 60, 0) : place]
    return bytes(raw)


def tiles(raw: bytes, layout: Layout, names: dict[int, str], piece: int, whole: bool) -> bool:
    """Whether frames and rejects cover ``raw`` exactly once; decoded to a table too where ``whole``."""
    decoder, spans = Decoder([layout], names), []
    pieces = (raw[at : at + piece] for at in range(0, len(raw), piece))
    for block in scan(pieces, [Spoken(layout, np.array(sorted(names)))]):
        rejects = block.rejects
        if whole:
            found = decoder.decode(block)
            spans += list(zip(found.frames.offset, found.frames.offset + found.frames.length, strict=True))
            rejects = found.rejects
        else:
            spans += [span for each in block.frames for span in zip(each.start, each.end, strict=True)]
        spans += [(each.start, each.end) for each in rejects]
    at = 0
    for start, end in sorted(spans):
        if start != at or end <= start:
            return False
        at = end
    return at == len(raw)


def work(task: tuple[int, int]) -> tuple[int, int, str]:
    """Captures and bytes tried from seed ``first`` on, and what failed."""
    first, count = task
    stock, size = prepared(), 0
    for seed in range(first, first + count):
        rng = np.random.default_rng(seed)
        layout, honest, names = stock[seed // DECODED % len(stock)]
        raw = mutated(honest, rng)
        size += len(raw)
        try:
            whole = seed % DECODED == 0
            good = tiles(raw, layout, names, 1000 if whole else int(rng.integers(100, 1000)), whole)
        except Exception as error:
            return seed - first, size, f"seed {seed}, {layout.framing}: {error!r}"
        if not good:
            return seed - first, size, f"seed {seed}, {layout.framing}: bytes do not tile"
    return count, size, ""


def main() -> int:
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    processes = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    share = 5_000
    tasks = [(first, min(share, total - first)) for first in range(0, total, share)]
    done = size = 0
    begin = time.perf_counter()
    with multiprocessing.Pool(processes) as pool:
        for count, read, failure in pool.imap_unordered(work, tasks):
            done, size = done + count, size + read
            if failure:
                print(failure)
                return 1
    seconds = time.perf_counter() - begin
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"{done} captures, {size / 1e6:.0f} MB, {done / seconds:.0f} a second, no failure; "
          f"peak memory of a process {peak:.0f} MB")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
