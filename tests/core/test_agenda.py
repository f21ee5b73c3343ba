"""When each subject is looked at again: the last time set counts, in the order of times."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from watchd.agenda import Agenda

STEADY = settings(max_examples=300, deadline=None, derandomize=True)
steps = st.lists(
    st.tuples(st.sampled_from(["set", "pop"]), st.integers(0, 4), st.integers(0, 30)), max_size=60
)


@STEADY
@given(steps)
def test_as_a_table_in_which_the_least_is_looked_for(found: list[tuple[str, int, int]]) -> None:
    agenda, table = Agenda(), dict[int, float]()
    for what, index, time in found:
        if what == "set":
            agenda.set(index, float(time))
            table[index] = float(time)
            continue
        due = [(at, n) for n, at in table.items() if at <= time]
        assert agenda.pop_until(float(time)) == (min(due) if due else None)
        if due:
            del table[min(due)[1]]
    names = {f"pack/{n}": n for n in range(5)}
    assert agenda.snapshot(names) == {f"pack/{n}": table[n] for n in sorted(table)}


def test_what_is_put_off_by_each_message_takes_no_room() -> None:
    agenda = Agenda()
    for second in range(10_000):
        agenda.set(second % 3, second + 10.0)
        assert agenda.pop_until(float(second)) is None
    assert len(agenda._heap) <= 3
