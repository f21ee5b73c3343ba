"""What waits for the broker: the newest of each retained topic, the rest in order, bounded."""

from __future__ import annotations

import asyncio

from watchd.publish import Publish, withdrawal
from watchd.shell.mqtt.outbox import MOST_PASSING, Outbox


def kept(topic: str, payload: bytes) -> Publish:
    return Publish(topic, payload, retain=True)


def passing(payload: bytes) -> Publish:
    return Publish("watchd/annunciation", payload)


async def sent(outbox: Outbox) -> list[Publish]:
    """Publish all that waits, as a link does."""
    found = []
    while len(outbox):
        [(key, message)] = await outbox.first()
        found.append(message)
        outbox.done(key, message)
    return found


async def test_in_the_order_in_which_it_was_said() -> None:
    outbox = Outbox()
    said = [kept("a", b"1"), passing(b"2"), kept("b", b"3"), passing(b"4"), passing(b"4")]
    outbox.put(said)
    assert await sent(outbox) == said


async def test_only_the_newest_of_a_retained_topic() -> None:
    outbox = Outbox()
    outbox.put([kept("a", b"1"), kept("b", b"2"), kept("a", b"3"), withdrawal("b")])
    assert await sent(outbox) == [kept("a", b"3"), withdrawal("b")]


async def test_what_is_renewed_while_it_is_published_is_published_again() -> None:
    outbox = Outbox()
    outbox.put([kept("a", b"1")])
    [(key, message)] = await outbox.first()
    outbox.put([kept("a", b"2")])
    outbox.done(key, message)
    assert await sent(outbox) == [kept("a", b"2")]


async def test_what_was_not_taken_is_published_again() -> None:
    outbox = Outbox()
    outbox.put([passing(b"1"), passing(b"2")])
    await outbox.first()  # the link broke before `done`
    assert await sent(outbox) == [passing(b"1"), passing(b"2")]


async def test_of_what_passes_the_oldest_go_and_are_counted() -> None:
    outbox = Outbox()
    outbox.put([kept("a", b"stays")])
    outbox.put(passing(b"%d" % n) for n in range(MOST_PASSING + 3))
    assert outbox.dropped == 3
    found = await sent(outbox)
    assert found[0] == kept("a", b"stays")
    assert found[1:] == [passing(b"%d" % n) for n in range(3, MOST_PASSING + 3)]
    outbox.put([passing(b"room again")])
    assert outbox.dropped == 3
    assert await sent(outbox) == [passing(b"room again")]


async def test_what_goes_while_it_is_published_does_not_upset_the_count() -> None:
    outbox = Outbox()
    outbox.put([passing(b"first")])
    [(key, message)] = await outbox.first()
    outbox.put(passing(b"%d" % n) for n in range(MOST_PASSING))
    outbox.done(key, message)
    assert len(outbox) == MOST_PASSING
    assert outbox.dropped == 1


async def test_waiting_for_something_and_for_nothing() -> None:
    outbox = Outbox()
    await outbox.drained()
    first = asyncio.create_task(outbox.first())
    await asyncio.sleep(0)
    assert not first.done()
    outbox.put([passing(b"1")])
    drained = asyncio.create_task(outbox.drained())
    [(key, message)] = await first
    assert not drained.done()
    outbox.done(key, message)
    await drained
    outbox.put([])
    await outbox.drained()


async def test_who_waits_goes_on_waiting_when_all_is_taken_out_again() -> None:
    outbox = Outbox()
    first = asyncio.ensure_future(outbox.first())
    await asyncio.sleep(0)
    waited = Publish("watchd/service", b"1", retain=True)
    outbox.put([waited])
    assert outbox.clear() == [waited]
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    assert not first.done()
    await outbox.drained()
    outbox.put([Publish("watchd/service", b"2", retain=True)])
    [(_, message)] = await first
    assert message.payload == b"2"


def figures(name: str, payload: bytes) -> Publish:
    return Publish(f"watchd/figures/pack/{name}", payload, qos=0, retain=True)


async def test_what_need_not_be_sent_any_more_is_dropped() -> None:
    outbox = Outbox()
    one, two = passing(b"1"), passing(b"1")
    outbox.put([one, kept("a", b"2"), two])
    outbox.drop([one])
    found = await sent(outbox)
    assert found[1] is two
    assert len(found) == 2
    await outbox.drained()


async def test_figures_wait_until_nothing_else_does() -> None:
    outbox = Outbox()
    outbox.put([figures("alder", b"1"), figures("birch", b"2"), kept("a", b"3"), passing(b"4")])
    [(key, message)] = await outbox.first()
    assert message == kept("a", b"3")
    outbox.done(key, message)
    outbox.put([figures("alder", b"5"), passing(b"6")])
    assert await sent(outbox) == [
        passing(b"4"), passing(b"6"), figures("alder", b"5"), figures("birch", b"2"),
    ]  # fmt: skip


async def test_a_withdrawal_is_not_undone_by_figures_of_before() -> None:
    outbox = Outbox()
    topic = figures("alder", b"").topic
    outbox.put([figures("alder", b"1")])
    [(key, message)] = await outbox.first()
    outbox.put([figures("alder", b"2"), withdrawal(topic)])
    outbox.done(key, message)
    assert await sent(outbox) == [withdrawal(topic)]
    outbox.put([withdrawal(topic), figures("alder", b"3")])
    assert await sent(outbox) == [figures("alder", b"3")]
    await outbox.drained()


async def test_several_at_once_up_to_a_length() -> None:
    outbox = Outbox()
    outbox.put([figures("alder", b"12"), passing(b"3456"), kept("a", b"78"), passing(b"9")])
    for most, most_bytes, expected in (
        (1, 9, [b"3456"]),
        (3, 9, [b"3456", b"78", b"9"]),
        (9, 6, [b"3456", b"78"]),
        (9, 9, [b"3456", b"78", b"9", b"12"]),
        (9, 1, [b"3456"]),  # one in any case
    ):
        found = await outbox.first(most, most_bytes)
        assert [message.payload for _, message in found] == expected
