"""Cutting logs into stints."""

from __future__ import annotations

import time
import tracemalloc
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rangebook.pipeline.levels import levels
from rangebook.pipeline.stints import cut, cut_track
from rangebook.pipeline.stretch import Fixes, Stint

from .electrical import LFP_TRIP, START, batch, biggest, pack_trip, simulated


def cut_whole(log: pa.RecordBatch, rows: int = 100_000, **limits: int) -> list[Stint]:
    return list(cut((log.slice(at, rows) for at in range(0, len(log), rows)), biggest(log), **limits))


def shape(stints: list[Stint]) -> list[tuple[str, int, int]]:
    return [(stint.kind, stint.first, stint.last) for stint in stints]


def course(*parts: tuple[float, float]) -> pa.RecordBatch:
    """A 50 V log at 1 s: (seconds, ampere) one after the other."""
    ampere = np.concatenate([np.full(int(seconds), level) for seconds, level in parts])
    return batch(np.arange(len(ampere)), 50.0, ampere)


LFP_STINTS = [
    ("charge", 0, 10322),
    ("rest", 10323, 12123),
    ("drive", 12124, 24641),
    ("rest", 24642, 28242),
    ("charge", 28243, 38053),
    ("rest", 38054, 39854),
]
"""The steps of the simulated log (tests/electrical.py): charge with its tail of constant voltage, rest, drive, ..."""


@pytest.mark.parametrize("rows", [100_000, 997])
@pytest.mark.parametrize("block", [1_000_000, 10_000, 1_500])
def test_a_simulated_cell_log_is_cut_at_its_steps(rows: int, block: int) -> None:
    assert shape(cut_whole(simulated(LFP_TRIP), rows, block_rows=block)) == LFP_STINTS


def test_a_pack_trip_that_draws_a_little_when_it_stands_is_one_drive() -> None:
    log = pack_trip("000")
    assert shape(cut_whole(log)) == [("drive", 0, len(log) - 1)]


def test_started_and_ended_are_the_instants_of_the_rows() -> None:
    drive = cut_whole(simulated(LFP_TRIP))[2]
    assert (drive.started, drive.ended) == (START + 12120_091956, START + 24636_410326)


def test_pauses_up_to_300_s_stay_in_a_drive_and_longer_ones_are_rest() -> None:
    assert shape(cut_whole(course((600, -60), (299, 0), (600, -60)))) == [("drive", 0, 1498)]
    kinds = [kind for kind, _, _ in shape(cut_whole(course((600, -60), (302, 0), (600, -60))))]
    assert kinds == ["drive", "rest", "drive"]


def test_regen_of_a_long_descent_stays_in_a_drive_and_a_charger_does_not() -> None:
    # 130 s of regen without a break: 550 m down at 15 km/h.
    assert shape(cut_whole(course((600, -60), (130, 30), (600, -60)))) == [("drive", 0, 1329)]
    assert shape(cut_whole(course((600, -60), (295, 30), (600, -60)))) == [("drive", 0, 1494)]
    kinds = [kind for kind, _, _ in shape(cut_whole(course((600, -60), (305, 30), (600, -60))))]
    assert kinds == ["drive", "charge", "drive"]


def test_regen_at_the_ends_of_a_drive_belongs_to_it() -> None:
    # Off from the top of a hill with a minute and a half of regen, and rolling to the stop with some after 5 s of none.
    log = course((900, 0), (90, 30), (600, -60), (5, 0), (40, 20), (900, 0))
    assert shape(cut_whole(log)) == [("rest", 0, 898), ("drive", 899, 1635), ("rest", 1636, 2534)]


def test_lights_left_on_after_the_last_regen_belong_to_the_drive() -> None:
    log = course((900, 0), (600, -60), (4, 20), (60, -1.1), (900, 0))
    assert shape(cut_whole(log)) == [("rest", 0, 898), ("drive", 899, 1564), ("rest", 1565, 2463)]


def test_a_charge_that_the_log_cuts_short_is_one_unless_a_drive_is_right_beside_it() -> None:
    assert [stint.kind for stint in cut_whole(course((600, 0), (100, 20)))] == ["rest", "charge"]
    assert [stint.kind for stint in cut_whole(course((100, 20), (600, 0)))] == ["charge", "rest"]
    assert [stint.kind for stint in cut_whole(course((600, -60), (100, 20)))] == ["drive"]
    assert [stint.kind for stint in cut_whole(course((600, 0), (100, 20), (600, 0)))] == ["rest"]


def test_long_regen_of_a_moving_cart_stays_in_the_drive() -> None:
    log = course((600, -60), (420, 30), (600, -60))
    moving = batch(np.arange(len(log)), 50.0, log.column("current_ampere").to_numpy(), speed_metre_per_second=5.0)
    assert shape(cut_whole(moving)) == [("drive", 0, 1619)]


def test_a_charge_keeps_its_long_tail_of_small_current() -> None:
    tail = [(600.0, float(level)) for level in np.linspace(20, 0.4, 30)]
    stints = shape(cut_whole(course((600, -150), (400, 0), (3600, 20), *tail, (3600, 0))))
    assert [kind for kind, _, _ in stints] == ["drive", "rest", "charge", "rest"]
    assert stints[2][2] == 600 + 400 + 3600 + 30 * 600  # one row of the ramp down is in it


def test_a_ramp_from_no_load_belongs_to_the_drive() -> None:
    second = np.arange(0, 3600, 10.0)
    ampere = np.where((second >= 1000) & (second < 2000), -90.0, 0.0)
    stints = cut_whole(batch(second, 50.0, ampere))
    assert shape(stints) == [("rest", 0, 98), ("drive", 99, 200), ("rest", 201, 359)]


def test_days_of_a_small_steady_draw_are_rest() -> None:
    stints = cut_whole(course((900, -120), (2 * 86_400, -3.0), (900, -120)))
    assert [stint.kind for stint in stints] == ["drive", "rest", "drive"]
    standing = cut_whole(course((86_400, -0.4)))
    assert [stint.kind for stint in standing] == ["rest"]


def test_a_steady_discharge_on_the_bench_is_a_drive() -> None:
    assert [stint.kind for stint in cut_whole(course((900, 0), (3600, -45), (900, 0)))] == ["rest", "drive", "rest"]


def test_a_sample_gone_astray_is_no_drive() -> None:
    ampere = np.zeros(4000)
    ampere[2000] = -80.0
    assert shape(cut_whole(batch(np.arange(4000), 50.0, ampere))) == [("rest", 0, 3999)]


def test_noise_of_a_current_sensor_is_rest() -> None:
    noise = np.random.default_rng(1).normal(0.0, 1.0, 20_000)
    log = batch(np.arange(20_000), 50.0, noise)
    assert [stint.kind for stint in cut([log], 150.0)] == ["rest"]


def test_short_rests_at_the_ends_belong_to_the_drive_and_a_short_rest_alone_is_a_rest() -> None:
    assert shape(cut_whole(course((200, 0), (600, -60), (200, 0)))) == [("drive", 0, 999)]
    assert shape(cut_whole(course((100, 0)))) == [("rest", 0, 99)]


def test_a_moment_of_charging_in_a_rest_is_no_charge() -> None:
    assert shape(cut_whole(course((600, 0), (40, 20), (600, 0)))) == [("rest", 0, 1239)]


@pytest.mark.parametrize("block", [600, 880, 900, 910, 920, 930, 950, 1500])
def test_where_the_blocks_end_changes_nothing(block: int) -> None:
    # A pause and the first of a charge can look like the beginning of a rest until more is seen.
    log = course((600, -60), (290, 0), (900, 20), (301, 0), (30, -60), (280, 0), (600, -60))
    assert shape(cut_whole(log, 10, block_rows=block)) == shape(cut_whole(log))


def test_one_row_between_two_drives_is_given_to_one_of_them() -> None:
    second = np.r_[np.arange(0, 1001, 100), 1200, np.arange(1400, 2401, 100)]
    ampere = np.where(second == 1200, 0.0, -60.0)
    assert shape(cut_whole(batch(second, 50.0, ampere))) == [("drive", 0, 11), ("drive", 12, 22)]


def test_a_gap_longer_than_300_s_cuts_any_stint() -> None:
    second = np.r_[np.arange(600), 1000 + np.arange(600)]
    assert shape(cut_whole(batch(second, 50.0, -60.0))) == [("drive", 0, 599), ("drive", 600, 1199)]
    assert shape(cut_whole(batch(second, 50.0, 0.0))) == [("rest", 0, 599), ("rest", 600, 1199)]


def test_a_log_slower_than_its_pauses_is_not_cut_at_every_row() -> None:
    second = np.arange(0, 6 * 86_400, 600.0)
    assert [stint.kind for stint in cut_whole(batch(second, 51.0, -0.2))] == ["rest"]


def test_speed_alone_tells_driving_from_rest() -> None:
    speed = np.concatenate([np.full(600, 4.0), np.zeros(200), np.full(600, 4.0), np.zeros(900)])
    log = batch(np.arange(2300), speed_metre_per_second=speed)
    assert shape(list(cut([log], float("nan")))) == [("drive", 0, 1400), ("rest", 1401, 2299)]


def test_no_current_and_no_speed_is_one_rest() -> None:
    assert shape(list(cut([batch(np.arange(1000), 50.0)], float("nan")))) == [("rest", 0, 999)]


def test_a_stint_is_cut_when_it_has_the_most_rows() -> None:
    assert shape(cut_whole(course((1000, -60)), 100, most_rows=400, block_rows=150)) == [
        ("drive", 0, 399),
        ("drive", 400, 799),
        ("drive", 800, 999),
    ]


def test_nothing_comes_of_nothing() -> None:
    assert list(cut([], 0.0)) == []
    assert list(cut([batch(np.empty(0), 50.0, 0.0)], 0.0)) == []


def test_levels_hold_for_packs_and_single_cells() -> None:
    assert levels(373.0, pack=True) == (5.0, 2.0, 0.5)
    assert levels(8.1, pack=False) == pytest.approx((0.405, 0.081, 0.02025))
    assert levels(float("nan"), pack=True) == (2.0, 0.5, 0.3)


def test_an_end_of_a_drive_before_a_gap_belongs_to_it() -> None:
    second = np.r_[np.arange(700), 2000 + np.arange(600)]
    ampere = np.concatenate([np.full(600, -60.0), np.zeros(100), np.full(600, -60.0)])
    assert shape(cut_whole(batch(second, 50.0, ampere))) == [("drive", 0, 699), ("drive", 700, 1299)]


@given(
    st.lists(st.tuples(st.integers(1, 700), st.sampled_from([-150.0, -3.0, -0.7, 0.0, 0.4, 0.8, 25.0])), min_size=1),
    st.lists(st.sampled_from([0.0, 1.0, 1.0, 1.0, 40.0, 100.0, 200.0, 299.0, 400.0, 4000.0]), min_size=1),
    st.integers(50, 3000),
)
@settings(max_examples=200, deadline=None)
def test_every_row_is_in_one_stint_whatever_comes(
    parts: list[tuple[int, float]], steps: list[float], block: int
) -> None:
    ampere = course(*parts, (1, -150.0)).column("current_ampere").to_numpy()
    log = batch(np.cumsum(np.resize(steps, len(ampere))), 50.0, ampere)
    stints = cut_whole(log, 61, most_rows=2000, block_rows=block)
    assert stints[0].first == 0
    assert stints[-1].last == len(log) - 1
    assert all(after.first == before.last + 1 for before, after in pairwise(stints))
    assert all(0 <= stint.last - stint.first < 2000 for stint in stints)


def test_five_million_rows_are_cut_quickly_and_in_little_memory() -> None:
    trip = pack_trip("000").column("current_ampere").to_numpy()
    rows, size = 5_000_000, 100_000

    def batches() -> Iterator[pa.RecordBatch]:
        for at in range(0, rows, size):
            yield batch(np.arange(at, at + size), 50.0, np.resize(trip, size))

    tracemalloc.start()
    began = time.process_time()
    stints = list(cut(batches(), 373.0))
    spent, peak = time.process_time() - began, tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert [stint.last - stint.first + 1 for stint in stints] == [500_000] * 10
    assert spent < 10
    assert peak < 400e6


def track(second: list[float]) -> Fixes:
    n = len(second)
    zero = np.zeros(n)
    return Fixes(START, np.array(second), np.zeros(n, np.int64), zero, zero, zero, zero, zero)


def test_a_track_is_one_drive_and_a_long_gap_cuts_it() -> None:
    stints = cut_track(track([0.0, 1.0, 2.0, 400.0, 401.0]))
    assert shape(stints) == [("drive", 0, 2), ("drive", 3, 4)]
    assert (stints[1].started, stints[1].ended) == (START + 400_000_000, START + 401_000_000)


def test_a_track_without_times_has_neither_start_nor_end() -> None:
    assert cut_track(track([np.nan] * 3)) == [Stint("drive", 0, 2, None, None)]
    assert cut_track(track([])) == []
