"""Dots, axes and the past of a channel: numbers in, strings out."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.dashboard.braille import axis, canvas, nice_range, ticks
from monitor.dashboard.history import History, columns_of
from monitor.dashboard.plot import Traces, plot_columns, plot_rows
from monitor.dashboard.rows import row_text, row_width


def flat(value):
    return (value, value)


@pytest.mark.parametrize(
    ("spans", "rows", "expected"),
    [
        ([], 1, [""]),
        ([None, None], 1, ["⠀"]),
        # dots 7 and 8 are the lowest, 1 and 4 the highest (The Unicode Standard, chapter 21.1)
        ([flat(0), flat(0)], 1, ["⣀"]),
        ([flat(1), flat(1)], 1, ["⠉"]),
        ([(0, 1), (0, 1)], 1, ["⣿"]),
        ([(0, 1)], 2, ["⡇", "⡇"]),
        ([flat(5), flat(-5)], 1, ["⢹"]),  # beyond the edges: drawn at them, joined
        ([flat(0), None, None, flat(1)], 1, ["⡀⠈"]),  # a gap stays a gap
    ],
)
def test_canvas_sets_the_dots_of_the_standard(spans, rows, expected):
    assert canvas(spans, 0.0, 1.0, rows) == expected


def test_canvas_without_joining_leaves_single_dots():
    assert canvas([flat(0), flat(1)], 0.0, 1.0, 1, joined=False) == ["⡈"]


def test_one_spike_among_thousands_of_readings_is_seen():
    history = History(5.0)
    for t_s in range(20_000):
        history.add(float(t_s), 20.0, 20.0)
    history.add(7_000.0, 99.0, 99.0)

    assert max(s[1] for s in history.spans(0.0, 20_000.0, 100) if s) == 99.0


def test_a_gap_in_the_record_is_a_gap_in_the_plot():
    history = History(5.0)
    for t_s in (*range(1000), *range(2000, 3000)):
        history.add(float(t_s), 20.0, 20.0)

    spans = history.spans(0.0, 3000.0, 30)

    assert [s is None for s in spans] == [False] * 10 + [True] * 10 + [False] * 10


@given(st.lists(st.tuples(st.floats(0, 50_000), st.floats(-50, 900)), min_size=1, max_size=60))
def test_history_keeps_extremes_however_wide_its_spans_become(readings):
    """Whatever the order of doublings, the whole record's extremes are those of the readings."""
    history = History(1.0)
    for at_s, value in readings:
        history.add(at_s, value, value)
    values = [value for _, value in readings]

    assert history.extremes() == (min(values), max(values))
    spans = [s for s in history.spans(0.0, 60_000.0, 37) if s]
    assert (min(s[0] for s in spans), max(s[1] for s in spans)) == (min(values), max(values))


def test_a_sampled_course_runs_straight_between_its_points_and_not_beyond():
    assert columns_of([10.0, 20.0], [0.0, 10.0], 0.0, 40.0, 4) == [None, (5.0, 5.0), None, None]
    assert columns_of([], [], 0.0, 10.0, 2) == [None, None]


@pytest.mark.parametrize(
    ("low", "high", "most", "steps", "expected"),
    [
        (0.0, 100.0, 5, (10, 25), [0.0, 25.0, 50.0, 75.0, 100.0]),
        (3.0, 4.0, 5, (10,), []),
        (5.0, 5.0, 5, (1,), []),
        (0.0, 1e9, 3, (1, 2), []),
    ],
)
def test_ticks_are_round_and_few(low, high, most, steps, expected):
    assert ticks(low, high, most, steps) == expected


def test_axis_leaves_out_labels_that_would_touch():
    assert axis([(0.0, "0"), (0.1, "0.1"), (5.0, "5")], 0.0, 10.0, 12) == "╵0    ╵5"


def test_range_of_a_flat_course_is_not_empty():
    low, high = nice_range(100.0, 100.0)
    assert low < 100.0 < high


@pytest.mark.parametrize(
    ("cells", "height"), [(44, 11), (109, 30), (12, 2), (6, 1), (3, 5), (0, 0)]
)
def test_plot_fills_its_room_exactly(cells, height):
    columns = plot_columns(cells)
    traces = Traces(
        from_s=0.0,
        to_s=100.0,
        now_s=50.0,
        measured=[flat(20.0 + n) if n < columns / 2 else None for n in range(columns)],
        planned=[flat(30.0 + n) for n in range(columns)],
        band_K=5.0,
        band_shift=[None] * columns,
    )

    rows = plot_rows(traces, cells, height)

    assert len(rows) == height
    assert all(row_width(row) <= max(cells, 5) for row in rows)


def test_the_present_is_marked_where_the_plan_goes_on():
    traces = Traces(0.0, 100.0, 50.0, [flat(0.0)] * 10 + [None] * 10, [None] * 20, 5.0, [None] * 20)

    assert any("┊" in row_text(row) for row in plot_rows(traces, 15, 6))


def scale_of(measured):
    traces = Traces(0.0, 100.0, 100.0, measured, [flat(20.0)] * 4, 15.0, [None] * 4)
    return [text for row in plot_rows(traces, 5 + 2, 9) for text, _ in row[:1]]


def test_one_bad_reading_leaves_the_course_its_room():
    course = [(20.0, 22.0), (58.0, 62.0), (98.0, 102.0), (99.0, 101.0)]
    spiked = [*course[:2], (98.0, 500.0), course[3]]
    dipped = [*course[:2], (-200.0, 102.0), course[3]]

    assert scale_of(spiked) == scale_of([*course[:2], (98.0, 114.0), course[3]])
    assert scale_of(dipped) == scale_of([*course[:2], (7.0, 102.0), course[3]])


def test_what_lasts_longer_than_a_column_is_on_the_scale():
    assert "400 │" in scale_of([flat(20.0), flat(500.0), flat(500.0), flat(20.0)])
