"""The lines of a home-made logger: a first line that says so, then Unix seconds, volts and amps.

    %volt lines 1
    1780310400.0 52.61 -0.02
    1780310400.5 52.40 -35.10

Positive amps charge the pack. A line that is no three numbers is set aside with its reason.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import islice

import pyarrow as pa

from rangebook.pipeline import Fit, Item, Options, Original, Rows, conform, hookimpl

FIRST_LINE = b"%volt lines 1"
AT_ONCE = 50_000


class VoltLines:
    """Reads volt lines."""

    name = "voltlines"
    version = "1"
    title = "volt lines of a home-made logger"
    about = "Unix seconds, volts and amps on each line, after a first line that says `%volt lines 1`."

    def recognise(self, original: Original) -> Fit | None:
        if original.head(len(FIRST_LINE)) == FIRST_LINE:
            return Fit(1.0, "it begins with `%volt lines 1`")
        return None

    def read(self, original: Original, options: Options) -> Iterator[Item]:
        with original.open() as stream:
            lines = enumerate((line.decode(errors="replace").strip() for line in stream), start=1)
            next(lines, None)
            while piece := list(islice(lines, AT_ONCE)):
                yield from _rows(piece)


def _rows(lines: list[tuple[int, str]]) -> Iterator[Rows]:
    good = [(number, text, values) for number, text in lines if (values := _numbers(text))]
    bad = [(number, text) for number, text in lines if text and not _numbers(text)]
    if good:
        seconds, volts, amps = (pa.array(column) for column in zip(*(values for _, _, values in good), strict=True))
        micros = pa.array([round(second * 1e6) for second in seconds.to_pylist()])
        time = micros.cast(pa.timestamp("us", tz="UTC"))
        batch = conform("samples", {"time": time, "voltage_volt": volts, "current_ampere": amps})
        yield Rows("samples", batch, pa.array([number for number, _, _ in good]).to_numpy(), lambda i: good[i][1])
    if bad:
        numbers, texts = zip(*bad, strict=True)
        columns = {
            "line": pa.array(numbers),
            "text": pa.array(texts),
            "why": pa.array(["not three numbers"] * len(bad)),
        }
        yield Rows("rejects", conform("rejects", columns))


def _numbers(text: str) -> tuple[float, float, float] | None:
    try:
        second, volt, ampere = (float(part) for part in text.split())
    except ValueError:
        return None
    return second, volt, ampere


@hookimpl
def readers() -> list[VoltLines]:
    return [VoltLines()]
