"""How often a projected range holds the truth: `python tests/accuracy/range.py FOLDER [--each] [--own] [--reference]`.

FOLDER: what `rangebook demo FOLDER` made. Every range test that went on to the cut-off is cut short at 40, 60 and 80 %
of its drives' time, as if its driver had stopped there, and measured anew; the truth is the range that the simulation
stated for the whole of it. A trip written down at the end is of no use then: where nothing else tells the way, it is
taken as far as the charge went, with its own uncertainty.

Prints a line for each cut, each chemistry and each way the distance was told: how many, how many had a projection, how
many of those were within one and two standard uncertainties, the median error and the median uncertainty. With --own
the capacity of the pack is known from the test before; with --reference it also prints how far the ranges of a cart
and pack are apart as driven and at reference conditions, where but for wear they are alike from test to test.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

import numpy as np

from rangebook.archive import Book
from rangebook.pipeline.measures import BUILTIN
from rangebook.pipeline.measures.parts import main_stints
from rangebook.pipeline.measures.projection import MEASURE
from rangebook.pipeline.measuring import Job, measure
from rangebook.pipeline.reading import Finding
from rangebook.pipeline.refresh import plan
from rangebook.pipeline.state import understand
from rangebook.pipeline.stretch import Measure, Result, Stint, Stretch

SHARES = (0.4, 0.6, 0.8)
NEEDED = ("way", "energy", "pack", "state", "reference")
MEASURES = (*(one for one in BUILTIN if one.name in NEEDED), MEASURE)


class Case(NamedTuple):
    """One test cut short. truth: m. found: the projected range, and why when there is none."""

    test: str
    chemistry: str
    share: float
    truth: float
    found: Result | None
    why: str
    told: str


def truths(folder: Path) -> dict[str, float]:
    """Range (m) by test, of those that went on to the cut-off."""
    with (folder / "truth.csv").open() as lines:
        rows = [row for row in csv.DictReader(lines) if row["quantity"] == "range_metre"]
    return {row["test"]: float(row["value"]) for row in rows}


def stretches(folder: Path, wanted: Iterable[str]) -> Iterator[tuple[str, Stretch]]:
    """The stretches of the tests `wanted`, as the program makes them."""
    book = Book.open(folder / "book")
    for job in plan(book, understand(book), ()):
        if job.test and job.subject in wanted and job.logs:
            yield job.subject, _made(job)


def _made(job: Job) -> Stretch:
    seen: list[Stretch] = []

    def keep(stretch: Stretch) -> Iterator[Result]:
        seen.append(stretch)
        yield from ()

    measure(job, [Measure("kept", "1", "Keeps the stretch.", (), keep)])
    return seen[0]


def cut_short(stretch: Stretch, share: float) -> Stretch | None:
    """`stretch` as it would be had the driver stopped after `share` of the time of the drives and gone home."""
    samples, drives = stretch.samples, main_stints(stretch)
    if samples is None or not drives:
        return None
    rows = np.concatenate([np.arange(one.first, one.last + 1) for one in drives])
    last = int(rows[round(share * (len(rows) - 1))])
    until = float(samples.second[last])
    kept = [_until(one, last, samples.start + round(until * 1e6)) for one in stretch.stints if one.first <= last]
    fixes = stretch.fixes
    if fixes is not None and np.isnan(fixes.second).all():
        fixes = None  # where it was by then is not known
    if fixes is not None:
        inside = ~(fixes.second > until + (samples.start - fixes.start) / 1e6)
        columns = ("second", "segment", "latitude", "longitude", "elevation", "speed", "hdop")
        fixes = replace(fixes, **{name: getattr(fixes, name)[inside] for name in columns})
    test = {**stretch.test, "end_reason": "operator"}
    return replace(stretch, samples=samples.part(0, last), stints=kept, fixes=fixes, marks=[], test=test)


def _until(stint: Stint, last: int, ended: int) -> Stint:
    return stint if stint.last <= last else replace(stint, last=last, ended=ended)


def figures(stretch: Stretch, measures: Sequence[Measure] = MEASURES) -> tuple[dict[str, Result], list[Finding]]:
    """All figures of `stretch`, each measure seeing those before it."""
    known = dict(stretch.known)
    findings: list[Finding] = []
    for one in measures:
        for item in one.compute(replace(stretch, known=dict(known))):
            if isinstance(item, Finding):
                findings.append(item)
            else:
                known.setdefault(item.quantity, item)
    return known, findings


def cases(folder: Path, own: bool = False) -> Iterator[Case]:
    """Every test that went on to the cut-off, cut short; with `own` its pack's row has the capacity at reference
    conditions that the test before it gave."""
    known, before = truths(folder), dict[str, dict[str, float | None]]()
    for test, whole_stretch in stretches(folder, known):
        pack = str(whole_stretch.pack.get("pack"))
        stretch = replace(whole_stretch, pack={**whole_stretch.pack, **before.get(pack, {})})
        whole, _ = figures(stretch)
        if own and (one := whole.get("capacity_reference_ah")):
            before[pack] = {one.quantity: one.value, f"{one.quantity}_u": one.u}
        for share in SHARES:
            short = cut_short(stretch, share)
            if short is None:
                continue
            short = _with_way(short, whole)
            found, findings = figures(short)
            why = "; ".join(one.words for one in findings if one.code == "range-unclear")
            chemistry = str(stretch.pack.get("chemistry"))
            told = "sheet's trip" if short.known else "way measured"
            yield Case(test, chemistry, share, known[test], found.get("projected_range_metre"), why, told)


def _with_way(short: Stretch, whole: dict[str, Result]) -> Stretch:
    """`short` with the trip of the sheet as far as the charge went, where nothing else tells the way."""
    way, net = whole.get("distance_metre"), whole.get("net_ah")
    so_far, _ = figures(short, MEASURES[:2])
    if way is None or net is None or "distance_metre" in so_far or "net_ah" not in so_far:
        return short
    share = so_far["net_ah"].value / net.value
    trip = replace(way, value=way.value * share, u=(way.u or 0.0) * share)
    return replace(short, known={"distance_metre": trip})


def line(words: str, of: Sequence[Case]) -> str:
    told = [(case.found.value, case.found.u or np.nan, case.truth) for case in of if case.found]
    value, u, truth = np.array(told or [(np.nan,) * 3]).T
    off = np.abs(value - truth) / u
    error = 100 * (value / truth - 1)
    return (
        f"{words:<16}{len(of):>6}{len(told):>8}{100 * np.mean(off <= 1):>8.0f} %{100 * np.mean(off <= 2):>8.0f} %"
        f"{np.median(error):>+9.1f} %{np.median(np.abs(error)):>8.1f} %{100 * np.median(u / value):>8.1f} %"
    )


HEAD = (
    f"{'cut at':<16}{'tests':>6}{'told':>8}{'in 1 u':>10}{'in 2 u':>10}{'error':>11}{'size':>10}{'u':>10}\n"
    f"{'':<50}{'median':>11}{'median':>10}{'median':>10}"
)


class Pair(NamedTuple):
    """One test: its range as driven and at reference conditions."""

    cart: str
    driven: Result
    reference: Result


def pairs(folder: Path) -> Iterator[Pair]:
    """Every test that went on to the cut-off and has both ranges."""
    every = (*(one for one in BUILTIN if one is not MEASURE), MEASURE)
    for _, stretch in stretches(folder, truths(folder)):
        found, _ = figures(stretch, every)
        both = found.get("range_metre"), found.get("reference_range_metre")
        if both[0] and both[1]:
            yield Pair(f"{stretch.cart.get('cart')} {stretch.pack.get('pack')}", both[0], both[1])


def apart(found: Sequence[Pair], least: int = 4) -> Iterator[str]:
    """Standard deviations of the ranges of each cart and pack, and what the uncertainties say."""
    yield f"{'cart and pack':<16}{'tests':>6}{'driven':>10}{'reference':>11}{'u':>8}   standard deviation, median u"
    groups = {cart: [pair for pair in found if pair.cart == cart] for cart in sorted({pair.cart for pair in found})}
    for cart, of in groups.items():
        if len(of) >= least:
            driven, reference = (np.array([getattr(pair, name).value for pair in of]) for name in Pair._fields[1:])
            spread = (100 * each.std(ddof=1) / each.mean() for each in (driven, reference))
            u = 100 * np.median([(pair.reference.u or np.nan) / pair.reference.value for pair in of])
            yield f"{cart:<16}{len(of):>6}" + "".join(f"{each:>8.1f} %" for each in spread) + f"{u:>8.1f} %"


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("folder", type=Path)
    options.add_argument("--each", action="store_true", help="a line for each cut test")
    options.add_argument("--own", action="store_true", help="with the capacity that the test before gave")
    options.add_argument("--reference", action="store_true", help="also ranges at reference conditions")
    asked = options.parse_args()
    found = []
    for case in cases(asked.folder, asked.own):
        found.append(case)
        if asked.each:
            told = f"{case.found.value:8.0f} ± {case.found.u or 0:5.0f} m" if case.found else case.why
            print(f"{case.test} {case.chemistry:<8} {case.share:.0%} truth {case.truth:8.0f} m: {told}")
    print(HEAD)
    for share in SHARES:
        print(line(f"{share:.0%}", [case for case in found if case.share == share]))
    for chemistry in sorted({case.chemistry for case in found}):
        print(line(chemistry, [case for case in found if case.chemistry == chemistry]))
    for told in sorted({case.told for case in found}):
        print(line(told, [case for case in found if case.told == told]))
    print(line("all", found))
    if asked.reference:
        both = list(pairs(asked.folder))
        for words in ("road load told", "capacity only"):
            of = [pair for pair in both if pair.reference.method.endswith("-road-load") == (words == "road load told")]
            print(f"\n{words}: {len(of)} tests", *apart(of), sep="\n")


if __name__ == "__main__":
    main()
