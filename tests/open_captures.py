"""Two open radio captures as a hub would have logged them, with truths counted from what they record.

Both are in the open data (see the README there for sources and licences); nothing of them is committed.
"""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any, Literal

from captures import Logged, Recording, Wire

SLOT_S = 0.015
"""Nominal length of a slot of the multi-hop network, whose time counts slots."""

EXTRAS = (
    "name: hops",
    "name: retransmissions",
    "name: channel",
    "name: first_hop, scale: -1.0, unit: dBm",
)
"""What packets tell beyond our fields: hops, retransmissions over all of them, channel of the last one, and
signal strength at the first one."""

Ticks = Literal["made", "last_hop", "none"]

# --- a multi-hop network, logged at its root ----------------------------------------------------


def multihop(path: Path, ticks: Ticks) -> Recording:
    """Return 6,481 packets of a time-slotted multi-hop network in the order in which its root got them.

    The network has one time, which counts slots and goes on when a node restarts. ``ticks`` are the time
    when a packet was made, or when its last hop sent it on, or none. The payload is the former, so that
    packets differ. Three of the ten sources send every 0.5 s, the others every 2 s, with pauses.
    """
    log = []
    with gzip.open(path, "rt") as lines:
        for line in lines:
            packet, host = line.rstrip("\n").split("\t")
            log.append(_packet(bytes(json.loads(packet)), host, ticks))
    hz = None if ticks == "none" else 1 / SLOT_S
    wire = Wire(2.0, 0.5, frozenset({9, 10, 11}), hz, tick_bytes=5, hub_unit_ns=1000, extras=EXTRAS)
    return Recording(wire, _with_boots(log))


def _packet(packet: bytes, host: str, ticks: Ticks) -> Logged:
    """Return a packet with its source, counter, network time, and the RSSI that its last hop measured."""
    hops = [packet[at : at + 4] for at in range(14, 38, 4) if packet[at]]
    last, made = (int.from_bytes(packet[at : at + 5], "little") for at in (1, 6))
    hours, minutes, seconds = host.split(":")
    hub_s = 3600 * int(hours) + 60 * int(minutes) + float(seconds)
    counter = int.from_bytes(packet[11:13], "little")
    shown = last if ticks == "last_hop" else made
    extras = len(hops), sum(hop[1] for hop in hops), hops[-1][2], hops[0][3]
    return Logged(hops[0][0], 0, counter, shown, made, hub_s, rssi=-hops[-1][3], extras=extras)


def _with_boots(log: list[Logged]) -> list[Logged]:
    """Return the packets with the boot of their source.

    In order of making (in one slot: of the counter) a source's counter rises, except that twelve times it
    begins again near 0, half a minute or more after the packet before. No counter passes 1,403, and none
    can wrap at 65,536 in 45 minutes, so a fall is a restart. Network time goes on::

        made       99961  100095  100229  169177  169445        slots of 15 ms
        counter      853     854     855       1       3
        boot           0       0       0       1       1
    """
    boots: dict[tuple[int, int, int], int] = {}
    for address in {frame.address for frame in log}:
        boot, before = 0, -1
        for made, count in sorted({(one.value, one.count) for one in log if one.address == address}):
            boot, before = boot + (count < before), count
            boots[address, made, count] = boot
    return [replace(one, boot=boots[one.address, one.value, one.count]) for one in log]


# --- a sub-GHz link with its list of transmissions ----------------------------------------------


@dataclass(frozen=True)
class LinkTruth:
    """Losses of a link by its list of transmissions; ``runs`` are of losses between received frames.

    With mean run m and share lost l between the first and the last received frame, the burst ratio is
    m (1 - l). Gilbert's p is the number of runs over that of received frames but the last; r is 1 / m.
    """

    sent: int
    received: int
    runs: tuple[int, ...]

    @property
    def statistics(self) -> tuple[float, float, float, float]:
        """Mean run, burst ratio, p and r."""
        runs, lost = len(self.runs), sum(self.runs)
        mean, received_share = lost / runs, self.received / (self.received + lost)
        return mean, mean * received_share, runs / (self.received - 1), runs / lost


def link_truth(arrived: list[bool]) -> LinkTruth:
    """Return the losses of a list of transmissions."""
    got = [at for at, came in enumerate(arrived) if came]
    runs = tuple(after - before - 1 for before, after in pairwise(got) if after > before + 1)
    return LinkTruth(len(arrived), len(got), runs)


def sub_ghz(path: Path) -> tuple[dict[str, Recording], dict[str, dict[str, LinkTruth]]]:
    """Return recordings of four campaigns of 400 transmissions, and their truths by session and node.

    One device sent every 1.5 s at one site after the other. The log has whole seconds and no ticks.
    ``site1`` to ``site4`` are a campaign each, with the 16-bit counter of the transmit list. ``together``
    has them as four nodes, with times moved so that they begin together. ``all-sites`` is one node with
    the 12-bit counter of the radio, which goes on from site to site and wraps once.
    """
    with gzip.open(path, "rt") as file:
        campaigns = [campaign["packets"] for campaign in json.load(file)["campaigns"]]
    begin = [int(sent[0]["tx"]["timestamp"]) for sent in campaigns]
    wire = Wire(1.5, hub_unit_ns=1_000_000_000)
    recordings, truths, together, radio = dict[str, Recording](), {}, list[Logged](), list[Logged]()
    for site, (sent, begin_s) in enumerate(zip(campaigns, begin, strict=True), 1):
        log = _received(site, sent, begin_s, lambda rx: int(rx["data"], 16))
        recordings[f"site{site}"] = Recording(wire, log)
        truths[f"site{site}"] = {f"n{site}": link_truth(["rx" in one for one in sent])}
        together += log
        radio += _received(1, sent, begin[0], lambda rx: int(rx["seqNumber"]))
    recordings["together"] = Recording(wire, sorted(together, key=lambda one: one.hub_s))
    truths["together"] = {node: link for by_node in truths.values() for node, link in by_node.items()}
    recordings["all-sites"] = Recording(replace(wire, counter_bits=12), _unwrapped(radio, 1 << 12))
    truths["all-sites"] = {"n1": link_truth(["rx" in one for sent in campaigns for one in sent])}
    return recordings, truths


def _received(
    address: int, sent: list[Any], begin_s: int, counter: Callable[[dict[str, str]], int]
) -> list[Logged]:
    """Return the packets of a campaign that were received; ``counter`` reads the one to use."""
    out = []
    for one in sent:
        if "rx" in one:
            rx, tx_s = one["rx"], one["tx"]["timestamp"] - begin_s
            rssi = max(round(float(rx["rssi"])), -128)
            out.append(
                Logged(address, 0, counter(rx), 0, int(rx["data"], 16), int(rx["time"]) - begin_s, tx_s, rssi)
            )
    return out


def _unwrapped(log: list[Logged], modulus: int) -> list[Logged]:
    """Return frames that came in order, with counters that fall only where they wrap."""
    out, wraps, before = [], 0, 0
    for one in log:
        wraps += one.count < before
        before = one.count
        out.append(replace(one, count=one.count + wraps * modulus))
    return out
