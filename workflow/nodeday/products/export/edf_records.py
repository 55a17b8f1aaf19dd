"""Length of the data records of an EDF file in which every signal has a whole number of samples.

A record lasts as long as a decimal number of eight characters says, and is recommended to last a whole number
of seconds and to hold no more than 61,440 bytes (Kemp et al. 1992, from memory)::

    rates in Hz        records of       samples in a record
    0.5                2 s              1
    31.25 and 250      4 s              125 and 1000
    33.3 and 250       10 s             333 and 2500
    33.333333          3 s              100, for it is 100/3 to a millionth
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import gcd, lcm
from typing import Any, NamedTuple

from nodeday.core.errors import SettingsError

RECOMMENDED_BYTES, LARGEST_BYTES = 61_440, 10 * 1024 * 1024
"""Of a record: the format's recommendation, and the most that EDFlib reads (tried with pyedflib 0.1.42)."""
NEAR = Fraction(1, 1_000_000)
"""Share by which a rate in the file may be off: less than crystals are. Choice of this project."""
CHARACTERS = 8


class Records(NamedTuple):
    """Length of a file's records, and its rates in samples a second by the declared ones in Hz."""

    seconds: Fraction
    rates: dict[float, Fraction]


def records_for(rates_hz: Sequence[float]) -> Records:
    """Return the records of a file with signals of ``rates_hz``, a rate for each signal.

    Rates are taken as they are written where a record of the recommended size holds whole samples of all of
    them, else as the simplest fractions nearby; larger records come last. Raises SettingsError where no
    record serves.
    """
    exact = {rate: Fraction(str(rate)) for rate in rates_hz}
    near = {rate: _simplest(one * (1 - NEAR), one * (1 + NEAR)) for rate, one in exact.items()}
    for most in (RECOMMENDED_BYTES, LARGEST_BYTES):
        for rates in (exact, near):
            if seconds := _seconds([rates[rate] for rate in rates_hz], most):
                return Records(seconds, rates)
    listed = ", ".join(f"{rate:.12g}" for rate in exact)
    raise SettingsError(
        f"no data record of EDF holds a whole number of samples at {listed} Hz",
        expected=f"rates in the layouts that share a record of at most {LARGEST_BYTES:,} bytes",
        remedy="Declare the nominal rates, or export these sessions with `nodeday export csv`.",
    )


def _seconds(rates: Sequence[Fraction], most_bytes: int) -> Fraction | None:
    """Length of a record: the fewest whole seconds that fit, else the decimal with the fewest digits."""
    step = Fraction(lcm(*(rate.denominator for rate in rates)), gcd(*(rate.numerator for rate in rates)))
    whole, longest = Fraction(step.numerator), most_bytes / (2 * sum(rates))
    if whole <= longest and _fits(whole):
        return whole
    if most_bytes > RECOMMENDED_BYTES:
        return None
    not_decimal = step.denominator
    for prime in (2, 5):
        while not_decimal % prime == 0:
            not_decimal //= prime
    step *= not_decimal
    parts = [part for count in range(1, int(longest / step) + 1) if _fits(part := step * count)]
    return max(parts, key=lambda part: (-len(_text(part)), part), default=None)


def _text(seconds: Fraction) -> str:
    return str(seconds.numerator) if seconds.denominator == 1 else str(float(seconds))


def _fits(seconds: Fraction) -> bool:
    """Whether eight characters hold the number, without an exponent."""
    text = _text(seconds)
    return len(text) <= CHARACTERS and "e" not in text and Fraction(text) == seconds


def _simplest(low: Fraction, high: Fraction) -> Fraction:
    """The fraction with the least denominator in [low, high], both above 0, by continued fractions."""
    whole = -(-low.numerator // low.denominator)
    if whole <= high:
        return Fraction(whole)
    below = whole - 1
    return below + 1 / _simplest(1 / (high - below), 1 / (low - below))


def exact_file(edfio: Any) -> Any:
    """Return edfio's class of a file with exact durations.

    As floats, lengths of signals seem to differ with records of 10 s, among others, and edfio 0.4.18 then
    refuses the file.
    """
    stored = edfio.Edf.data_record_duration.fget
    exact = property(lambda file: Fraction(str(stored(file))))
    return type("ExactEdf", (edfio.Edf,), {"data_record_duration": exact})
