"""The ledger's means against exact arithmetic (``fractions`` of the standard library)."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from logger.core.ledger import Ledger, means

VALUE = st.integers(-10_000_000, 10_000_000)  # thousandths: whole in the ledger's fixed point
TICK = st.none() | st.tuples(VALUE, VALUE)


@given(
    ticks=st.lists(st.lists(TICK, min_size=1, max_size=9), min_size=1, max_size=9),
    repeat=st.integers(1, 40),
    keep=st.integers(1, 300),
    places=st.lists(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)), min_size=1, max_size=6),
)
def test_the_mean_between_any_two_places_is_exact(
    ticks: list[list[tuple[int, int] | None]], repeat: int, keep: int, places: list[tuple[float, float]]
) -> None:
    """Asked in between too: what was summed before must not count twice, also once old ticks are cut off."""
    ledger, posted = Ledger(keep, 2), []
    known = {0: ledger.at(0)}
    for some in ticks:
        for tick in some * repeat:
            ledger.post(None if tick is None else (tick[0] / 1000, tick[1] / 1000))
            posted.append(tick)
        known[len(posted)] = ledger.at(len(posted))
    newest = len(posted)
    kept_from = max(newest - max(keep, 64), 0)  # the newest ``keep`` can always be asked for
    known |= {(p := kept_from + round(share * (newest - kept_from))): ledger.at(p) for share, _ in places}
    for start in known:
        for end in known:
            counted = [tick for tick in posted[start:end] if tick is not None]
            found = means(known[start], known[end])
            if not counted:
                assert found is None
                continue
            assert found is not None
            for column in (0, 1):
                exact = Fraction(sum(tick[column] for tick in counted), 1000 * len(counted))
                assert found[column] == float(exact)
