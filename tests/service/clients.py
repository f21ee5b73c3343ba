"""The others on the broker: a bridge that sends telemetry, and one who listens to watchd."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Self

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.subscribeoptions import SubscribeOptions

from tests.service.brokers import HOST
from tests.service.patience import PATIENCE_S, until

OWN = ("marks", "answers/me")  # what a listener is told for itself


def raw(payload: Any) -> bytes:
    """A payload: bytes as they are, anything else as JSON."""
    return payload if isinstance(payload, bytes) else json.dumps(payload).encode()


class _Connected:
    """A client with a thread of its own, which connects again when the link is lost."""

    def __init__(self, port: int, *, v5: bool, user: str | None, password: str | None) -> None:
        self.v5 = v5
        version = MQTTProtocolVersion.MQTTv5 if v5 else MQTTProtocolVersion.MQTTv311
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=version)
        self._client.username_pw_set(user, password)
        self._client.reconnect_delay_set(1, 1)
        self._port = port
        self._ready = threading.Event()
        self._client.on_connect = self._on_connect

    def __enter__(self) -> Self:
        self._client.connect(HOST, self._port)
        self._client.loop_start()
        if not self._ready.wait(PATIENCE_S):
            self.__exit__()
            raise AssertionError("the broker does not let a client in")
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(self, *_: object) -> None:
        self._ready.set()

    def send_fast(self, topic: str, payload: Any) -> None:
        """Publish once, without waiting for anything."""
        self._client.publish(topic, raw(payload))

    def send(
        self,
        topic: str,
        payload: Any,
        *,
        retain: bool = False,
        reply_to: str | None = None,
        correlation: bytes = b"",
    ) -> None:
        """Publish once, and wait until the broker has it."""
        properties = None
        if reply_to is not None:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call] # paho's
            properties.ResponseTopic = reply_to
            if correlation:
                properties.CorrelationData = correlation
        self._client.publish(
            topic, raw(payload), qos=1, retain=retain, properties=properties
        ).wait_for_publish(PATIENCE_S)


class Bridge(_Connected):
    """Sends the newest of each topic over and over, as bridges do."""

    def __init__(
        self,
        port: int,
        *,
        every_s: float = 0.2,
        user: str | None = None,
        password: str | None = None,
    ) -> None:
        self._every_s = every_s
        self._says: dict[str, bytes] = {}
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._repeat)
        super().__init__(port, v5=False, user=user, password=password)

    def __enter__(self) -> Self:
        super().__enter__()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join()
        super().__exit__()

    def says(self, **packs: dict[str, Any]) -> None:
        """From now on, these packs send these documents."""
        self.says_on({f"hut/{name}/state": document for name, document in packs.items()})

    def says_on(self, topics: dict[str, Any]) -> None:
        """From now on, these topics carry these payloads."""
        self._says = {**self._says, **{topic: raw(p) for topic, p in topics.items()}}

    def falls_silent(self) -> None:
        """From now on it sends nothing."""
        self._says = {}

    def _repeat(self) -> None:
        while not self._end.wait(self._every_s):
            for topic, payload in self._says.items():
                self._client.publish(topic, payload)


@dataclass(frozen=True, slots=True)
class Heard:
    """A message as it came. `retain`: as it was published, where the listener speaks MQTT 5."""

    topic: str
    payload: bytes
    retain: bool
    expires_s: int | None = None
    correlation: bytes = b""

    @property
    def data(self) -> Any:
        """The payload as JSON; None where it is empty."""
        return json.loads(self.payload) if self.payload else None


class Listener(_Connected):
    """Keeps all that comes on some topics."""

    def __init__(
        self,
        port: int,
        *filters: str,
        v5: bool = True,
        user: str | None = None,
        password: str | None = None,
    ) -> None:
        self._filters = filters or ("watchd/#",)
        self.heard: list[Heard] = []
        self._marks = 0
        super().__init__(port, v5=v5, user=user, password=password)
        self._client.on_message = self._on_message
        self._client.on_subscribe = self._on_subscribe

    def __call__(
        self, topic: str, where: Callable[[Any], bool] = lambda _: True, *, since: int = 0
    ) -> Heard:
        """Wait for a message of this topic, with data of this kind, from position `since` on."""
        return until(
            lambda: next(
                (h for h in self.heard[since:] if h.topic == topic and where(h.data)), None
            ),
            f"{topic}, from message {since} on",
            seen=lambda: "\n".join(f"{n} {h.topic} {h.payload!r}" for n, h in self._newest()),
        )

    def answer(self, correlation: bytes) -> dict[str, Any]:
        """Wait for the answer, on `answers/me`, to the request that was sent with this."""
        found: Heard = until(
            lambda: next((h for h in self.on("answers/me") if h.correlation == correlation), None),
            f"the answer to {correlation!r}",
        )
        data: dict[str, Any] = found.data
        return data

    @property
    def now(self) -> int:
        """The position of what comes next."""
        return len(self.heard)

    def on(self, topic: str, *, since: int = 0) -> list[Heard]:
        """All that came on this topic, or below it."""
        return [
            h
            for h in self.heard[since:]
            if h.topic == topic or h.topic.startswith(topic.rstrip("/") + "/")
        ]

    def catch_up(self) -> None:
        """Wait for all that the broker has taken until now.

        What one client of QoS 0 gets comes in the order in which the broker took it.
        """
        self._marks += 1
        mark = f"{self._marks} {id(self)}".encode()
        self.send("marks", mark)
        until(lambda: any(h.topic == "marks" and h.payload == mark for h in self.heard), "the mark")

    def hear_all(self) -> None:
        """Wait for all that watchd has said until now: it answers in its turn."""
        self._marks += 1
        mark = b"%d" % self._marks
        self.send("watchd/request", {"do": "nothing"}, reply_to="answers/me", correlation=mark)
        self.answer(mark)

    def _on_connect(self, *_: object) -> None:
        if self.v5:
            options = SubscribeOptions(qos=0, retainAsPublished=True)
            self._client.subscribe([(f, options) for f in (*self._filters, *OWN)])
        else:
            self._client.subscribe([(f, 0) for f in (*self._filters, *OWN)])

    def _on_subscribe(self, *_: object) -> None:
        self._ready.set()

    def _on_message(self, _client: object, _data: object, message: paho.MQTTMessage) -> None:
        properties = message.properties
        self.heard.append(
            Heard(
                message.topic,
                bytes(message.payload),
                message.retain,
                getattr(properties, "MessageExpiryInterval", None),
                getattr(properties, "CorrelationData", b""),
            )
        )

    def _newest(self) -> list[tuple[int, Heard]]:
        return list(enumerate(self.heard))[-40:]


def retained(port: int, *filters: str) -> dict[str, Heard]:
    """What a client that comes now is given, by topic."""
    with Listener(port, *filters) as late:
        late.catch_up()
        return {h.topic: h for h in late.heard if h.topic not in OWN}
