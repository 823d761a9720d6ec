"""What hides between samples, told by the log itself: how a figure moves when samples are left out.

A largest or lowest sample is never beyond the true peak, only short of it. How far is not in the samples, but how much
of the peak a slower log of the same drive would have missed is: keep one sample in r, beginning with each of the first
r, and see how far the figure is from that of all samples. What the log misses of the truth is taken to be as much as
the thinned log misses of the log, on the root mean square over the r beginnings. That is on the cautious side: a
controller takes about half a second to bring its current up, so that going from samples 5 s apart to every instant
finds less than going from 50 s to 5 s does. r is how many of those half seconds one step of the log spans, from 2 to
10 (common practice, no source).

A mean over a long window does not hang on single samples: its thinned logs keep two samples in a window, but are
thinned by no less than 4, as the largest of many windows moves more than one of them.

It is the idea of leaving data out to see what hangs on it (Quenouille 1956, Biometrika 43:353, from memory), done on
the time between samples.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from ..reading import Floats
from .parts import usual_step

INSTANT_SECOND = 0.5
LEAST_SHARE, WINDOW_SHARE, MOST_SHARE = 2, 4, 10

Part = tuple[Floats, ...]
"""Columns of equal length, second first."""


def hidden(
    parts: Sequence[Part],
    figure: Callable[[Sequence[Part]], float | None],
    width: float = 0.0,
    whole: float | None = None,
) -> float:
    """Standard uncertainty of `figure(parts)`, a mean over `width` s or a single instant, from what lies between
    samples, in the figure's unit; 0 where there is no figure, and infinite where fewer than half of the thinned logs
    have one: then nothing tells. whole: figure(parts), where it is known already."""
    whole = figure(parts) if whole is None else whole
    if whole is None or not parts:
        return 0.0
    share = _share(max(usual_step(part[0]) for part in parts), width)
    found = [figure([tuple(c[begin::share] for c in part) for part in parts]) for begin in range(share)]
    missed = [one - whole for one in found if one is not None]
    return float(np.sqrt(np.mean(np.square(missed)))) if 2 * len(missed) >= share else float("inf")


def _share(step: float, width: float) -> int:
    most = min(MOST_SHARE, max(WINDOW_SHARE, int(width / 2 / step))) if width and step else MOST_SHARE
    return min(max(round(step / INSTANT_SECOND), LEAST_SHARE), most)
