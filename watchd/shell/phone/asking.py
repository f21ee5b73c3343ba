"""A person's reply becomes a request of watchd's, and its answer goes back to that person."""

from __future__ import annotations

import asyncio
import json
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable
from typing import Any, Literal

import structlog
from aiomqtt import MqttError

from watchd.phone.replies import (
    EXAMPLES,
    Do,
    Reply,
    ReplyError,
    outcome,
    parse_reply,
    request_of,
    what_stands,
)
from watchd.publish import Publish, encode
from watchd.shell.phone.queue import Queue

PATIENCE_S = 10.0
MOST_ASKED_AGAIN = 20
MOST_WAITING = 20
MOST_A_MINUTE = 20
log = structlog.get_logger("watchd")
Send = Callable[[Publish], Awaitable[None]]


class Asking:
    """Takes replies one after the other. `own`: the topic below which answers may come to us."""

    def __init__(
        self,
        queue: Queue,
        send: Send,
        *,
        request_topic: str,
        answer_topic: str,
        own: str,
        to_phone: Literal["failed", "all", "none"],
        tell_phone: Callable[[str, str], None],
    ) -> None:
        self._queue, self._send, self._own = queue, send, own
        self._request_topic, self._answer_topic = request_topic, answer_topic
        self._to_phone, self._tell_phone = to_phone, tell_phone
        self._replies: asyncio.Queue[bytes] = asyncio.Queue(MOST_WAITING)
        self._came_at: deque[float] = deque(maxlen=MOST_A_MINUTE)
        self._awaited: tuple[str, asyncio.Future[dict[str, Any]]] | None = None

    def reply(self, payload: bytes) -> None:
        """A reply came."""
        now = time.monotonic()
        if len(self._came_at) == MOST_A_MINUTE and now - self._came_at[0] < 60:
            log.warning("replies come too fast; this one is not taken", most_an_hour=12)
            return
        self._came_at.append(now)
        if not self._replies.full():
            self._replies.put_nowait(payload)

    def answer(self, topic: str, payload: bytes) -> None:
        """An answer of watchd's came."""
        if self._awaited is None or self._awaited[0] != topic or self._awaited[1].done():
            return
        try:
            data = json.loads(payload)
        except (ValueError, RecursionError):
            return
        if isinstance(data, dict):
            self._awaited[1].set_result(data)

    async def run(self) -> None:
        """Answer what comes."""
        while True:
            payload = await self._replies.get()
            ok, question, said = await self._done(payload)
            log.info("a reply", done=ok, said=said[:200], most_an_hour=100)
            try:
                await self._send(Publish(self._answer_topic, said.encode()))
            except MqttError as error:
                log.warning("an answer could not be sent", reason=str(error), most_an_hour=12)
            wanted = question or not ok or self._to_phone == "all"
            if wanted and self._to_phone != "none":
                self._tell_phone("watchd: " + ("answer" if ok else "not done"), said)

    async def _done(self, payload: bytes) -> tuple[bool, bool, str]:
        """Whether it was done, whether it was a question, and what is said of it."""
        try:
            reply = parse_reply(payload)
            return await self._asked(reply)
        except ReplyError as error:
            return False, False, str(error)

    async def _asked(self, reply: Reply) -> tuple[bool, bool, str]:
        if reply.do is Do.HELP:
            return True, True, EXAMPLES[0].upper() + EXAMPLES[1:]
        alarm = self._queue.alarm_of(reply.number) if reply.number is not None else None
        if alarm is None and reply.do is not Do.WHAT:
            raise ReplyError(
                f"no message had the number {reply.number}; `what` lists what stands, with numbers"
            )
        answer = await self._ask(request_of(reply, alarm))
        if reply.do is Do.WHAT:
            ok, said = what_stands(answer, self._queue.number_of)
        else:
            ok, said = outcome(reply, alarm or "", answer)
        return ok, reply.is_question, said

    async def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """The answer; where watchd says that it comes too soon, it is asked again in time."""
        for _ in range(MOST_ASKED_AGAIN):
            answer = await self._exchange(request)
            again_in_s = answer.get("again_in_s")
            if not isinstance(again_in_s, int | float):
                return answer
            await asyncio.sleep(min(max(0.1, again_in_s), PATIENCE_S))
        return {"ok": False, "error": "watchd is asked too much; try again in a minute"}

    async def _exchange(self, request: dict[str, Any]) -> dict[str, Any]:
        topic = f"{self._own}/{secrets.token_hex(8)}"
        future: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._awaited = topic, future
        try:
            async with asyncio.timeout(PATIENCE_S):
                payload = encode({**request, "reply_to": topic})
                await self._send(Publish(self._request_topic, payload))
                return await future
        except TimeoutError:
            return {
                "ok": False,
                "error": "watchd does not answer; look whether it was done",
            }
        except MqttError as error:
            return {"ok": False, "error": f"no link to the broker: {error}"}
        finally:
            self._awaited = None
