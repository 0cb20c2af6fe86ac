"""A night played out: stock by hand, simulation against formula, ranges."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.statistics.hazards import BetaChances, GammaRates, Stages
from runlog.statistics.nights import (
    Bars,
    Nights,
    brier,
    chance_range,
    expected_parts,
    narrowest,
    play,
    reach_chances,
)

DRAWS = 60_000


def nights(
    *,
    hours: float = 8.0,
    bars: float = 12.0,
    left: float = 0.0,
    order: float = np.inf,
    stops: tuple[float, float] = (6.0, 200.0),
    failures: tuple[float, float] = (3.0, 300.0),
    pace: float = 1.0,
    working: float = 1.0,
) -> Nights:
    """One night of 75 s a part, 24 parts a bar, 40 s a reload; no spread of the pace."""

    def one(value: float) -> np.ndarray:
        return np.array([value])

    rates = GammaRates(one(stops[0]), one(stops[1]))
    return Nights(
        hours=one(hours),
        cycle_s=one(75.0),
        reload_s=one(40.0),
        per_bar=one(24.0),
        left=one(left),
        bars=one(bars),
        order=one(order),
        stops=Stages(rates, rates),
        failures=BetaChances(one(failures[0]), one(failures[1])),
        pace=np.full((1, 4), pace),
        working=np.full((1, 4), working),
        missing=np.zeros((1, 4)),
        paced=one(1e9),
    )


def bars(left: float = 0.0) -> Bars:
    return Bars(*(np.asarray(value) for value in (75.0, 40.0, 24.0, left)))


def test_stock_by_hand():
    """12 bars of 24 parts, 75 s each and 40 s a reload, last 22 080 s, as in the plan's own worked case."""
    assert float(bars().time_s(np.asarray(288.0))) == 22_080
    assert float(bars().reloads(np.asarray(288.0))) == 12
    # Six parts left: 6 x 75 = 450 s; the seventh begins after a reload, at 490 s.
    assert float(bars(6).parts_in(np.asarray(450.0))) == 6
    assert float(bars(6).parts_in(np.asarray(490.0))) == 6
    assert float(bars(6).parts_in(np.asarray(565.0))) == 7


@given(st.integers(0, 23), st.integers(1, 500))
def test_the_time_of_parts_and_the_parts_of_a_time_are_inverse(left, parts):
    stock = bars(left)
    assert float(stock.parts_in(stock.time_s(np.asarray(float(parts))))) == pytest.approx(parts)


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"bars": 6.0, "left": 10.0},
        {"bars": np.inf, "hours": 20.0, "stops": (2.0, 30.0)},
        {"failures": (8.0, 60.0), "pace": 1.1, "working": 0.9},
        {"order": 150.0},
    ],
)
def test_simulation_and_formula_agree(how):
    ahead = nights(**how)
    courses = play(ahead, np.random.default_rng(3), DRAWS)
    reach = float(reach_chances(ahead, courses.setting)[0])
    assert courses.reached.mean() == pytest.approx(reach, abs=4 * np.sqrt(reach * (1 - reach) / DRAWS))
    setting = courses.setting
    parts = expected_parts(
        bars(float(ahead.left[0])),
        float(setting.pace[0, 0]),
        float(setting.working[0, 0]),
        float(setting.parts[0, 0]),
        ahead.stops,
        ahead.failures,
    )
    error = courses.parts.std() / np.sqrt(DRAWS)
    # The formula takes the chance in the midst of each part for that of the part: half a part at most.
    assert courses.parts.mean() == pytest.approx(float(parts[0]), abs=4 * error + 0.5)


def test_a_night_without_risk_ends_as_planned():
    sure = {"stops": (1e-9, 1e9), "failures": (0.0, 1.0)}
    by_bars = play(nights(**sure), np.random.default_rng(1), 10)
    assert by_bars.parts.tolist() == [[288.0] * 10]
    assert by_bars.reached.all()
    assert np.isnan(by_bars.stopped_h).all()
    # 8 h hold 28 800 s: 15 bars of 1840 s are 27 600 s and 360 parts, then 1160 s after a reload 15 parts more.
    by_time = play(nights(bars=20.0, **sure), np.random.default_rng(1), 10)
    assert by_time.parts.tolist() == [[375.0] * 10]
    assert by_time.bars_wanted.tolist() == [[16.0] * 10]


@pytest.mark.filterwarnings("error")
def test_reloads_that_take_no_time_hide_no_stop():
    """Without a feeder a reload takes no time; infinitely many of them take none either, and a stop is still a stop."""
    ahead = nights(stops=(50.0, 1.0), failures=(0.0, 1.0), bars=np.inf)
    course = play(Nights(**{**ahead.__dict__, "reload_s": np.array([0.0])}), np.random.default_rng(1), 200)
    assert not course.reached.any()
    assert np.isfinite(course.stopped_h).all()


def test_a_magazine_found_short_ends_the_night_earlier():
    ahead = nights(stops=(1e-9, 1e9), failures=(0.0, 1.0))
    short = Nights(**{**ahead.__dict__, "missing": np.ones((1, 4))})
    assert play(short, np.random.default_rng(1), 5).parts.tolist() == [[264.0] * 5]


def test_little_history_makes_the_chance_uncertain():
    rng = np.random.default_rng(2)
    widths = []
    for much in (1.0, 10.0, 100.0):
        ahead = nights(stops=(0.4 * much, 13.0 * much), failures=(0.0, 1.0))
        low, high = chance_range(ahead, play(ahead, rng, 4000).setting, rng)
        widths.append(float(high[0] - low[0]))
    assert widths[0] > 2 * widths[1] > 4 * widths[2]


def test_the_same_seed_gives_the_same_night():
    one, other = (play(nights(), np.random.default_rng(9), 50).parts for _ in range(2))
    assert (one == other).all()


def test_the_narrowest_range_by_hand():
    """Of 0, 5, 6, 7, 7 four are wanted: 5 to 7 is 2 wide, 0 to 7 is 7 wide. Of ten, eight."""
    low, high = narrowest(np.array([[7.0, 0, 6, 5, 7]]), 0.8)
    assert (low.tolist(), high.tolist()) == ([5.0], [7.0])
    low, high = narrowest(np.array([[1.0, 2, 30, 31, 32, 33, 34, 35, 36, 37]]), 0.8)
    assert (low.tolist(), high.tolist()) == ([30.0], [37.0])


def test_brier_by_hand():
    """((0.3 - 1)^2 + 0.5^2 + 0) / 3 = (0.49 + 0.25) / 3."""
    assert brier(np.array([0.3, 0.5, 1.0]), np.array([True, False, True])) == pytest.approx(0.74 / 3)
