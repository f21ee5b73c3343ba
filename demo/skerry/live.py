"""The day in step with the wall clock, over MQTT."""

import asyncio
import socket
import time
from dataclasses import dataclass

import aiomqtt

from demo.skerry.charger import Follower
from demo.skerry.simulation import STEP_S, Simulation
from demo.skerry.story import Story

LIMIT_TOPIC = "watchd/charge-limit/skerry/amps"

# Small messages in quick succession wait up to 40 ms for an acknowledgement without it (Nagle's
# algorithm, RFC 896), which is seconds of the simulation's time.
_NO_DELAY = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)


@dataclass(frozen=True, slots=True)
class Pace:
    """How the simulation's time runs: `start + (wall - zero) * speed`."""

    start: float
    zero: float
    speed: float

    def now(self) -> float:
        """The simulation's time, by the wall clock."""
        return self.start + (time.time() - self.zero) * self.speed


async def publish_live(host: str, port: int, story: Story, seed: int, pace: Pace) -> None:
    """Publish the day as it happens; late steps are made up for, none is left out."""
    simulation = Simulation(story, seed, pace.start)
    async with aiomqtt.Client(host, port, socket_options=_NO_DELAY) as client:
        await client.subscribe(LIMIT_TOPIC, qos=1)
        listening = asyncio.create_task(_listen(client, simulation), name="limit")
        try:
            while not simulation.over:
                while simulation.now + STEP_S <= pace.now() and not simulation.over:
                    for message in simulation.step():
                        await client.publish(message.topic, message.payload)
                if listening.done():
                    listening.result()
                await asyncio.sleep(min(0.02, STEP_S / pace.speed))
            # A broker may drop what a client that leaves has just sent.
            await asyncio.sleep(1.0)
        finally:
            listening.cancel()


async def _listen(client: aiomqtt.Client, simulation: Simulation) -> None:
    async for message in client.messages:
        if message.topic.matches(LIMIT_TOPIC):
            hear(simulation.follower, message.payload, simulation.now)


def hear(follower: Follower, payload: object, at: float) -> None:
    """Pass a limit on as it came; what is no number counts as no limit, as does silence."""
    text = payload.decode(errors="replace") if isinstance(payload, bytes | bytearray) else ""
    try:
        limit_a = float(text)
    except ValueError:
        follower.hear(None, at)
        return
    follower.hear(limit_a if limit_a >= 0.0 else None, at)
