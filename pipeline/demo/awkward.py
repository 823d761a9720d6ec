"""What goes wrong with files in a workshop's life."""

from __future__ import annotations

from collections.abc import Callable

Lines = list[str]

GAP_SECONDS = 180
"""How long a logger with a loose plug says nothing."""


def doubled(lines: Lines, first: int, period: int) -> Lines:
    """Forty rows in the middle stand twice, as after a copy gone wrong."""
    middle = (first + len(lines)) // 2
    return lines[:middle] + lines[middle - 40 : middle] + lines[middle:]


def interrupted(lines: Lines, first: int, period: int) -> Lines:
    """A gap of GAP_SECONDS in the first half: a loose plug."""
    start = first + (len(lines) - first) // 3
    return lines[:start] + lines[start + GAP_SECONDS // period :]


def restarted(lines: Lines, first: int, period: int) -> Lines:
    """The header once more, half way down."""
    middle = (first + len(lines)) // 2
    return [*lines[:middle], lines[first - 1], *lines[middle:]]


def impossible(lines: Lines, first: int, period: int) -> Lines:
    """One voltage of a thousand million volts."""
    middle = (first + len(lines)) // 2
    cells = lines[middle].split(",")
    return [*lines[:middle], ",".join([cells[0], "1000000000.00", *cells[2:]]), *lines[middle + 1 :]]


def truncated(lines: Lines, first: int, period: int) -> Lines:
    """The last line breaks off."""
    return [*lines[:-1], lines[-1][: len(lines[-1]) // 2]]


def unpowered(lines: Lines, first: int, period: int) -> Lines:
    """Power lost: a stretch of NUL bytes where rows should be, near the end."""
    place = len(lines) - 30
    return [*lines[:place], "\0" * 512, *lines[place + 10 :]]


FAULTS: dict[str, Callable[[Lines, int, int], Lines]] = {
    "T-0012": doubled,
    "T-0021": interrupted,
    "T-0032": restarted,
    "T-0045": impossible,
    "T-0058": truncated,
    "T-0084": unpowered,
    "C01 20260705": unpowered,
    "C10 20260813": interrupted,
}
"""The outings whose log has a fault. Each takes lines, number of the first row, and seconds between rows."""
