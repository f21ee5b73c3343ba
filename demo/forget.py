"""Takes the demo's retained messages off a broker that outlives it.

`python -m demo.forget HOST:PORT`
"""

import asyncio
import sys

import aiomqtt

_OURS = frozenset({"skerry", "auk", "tern", "eider"})
_QUIET_S = 0.5


async def forget(host: str, port: int) -> None:
    """Clear what watchd keeps about this bank, and nothing else."""
    async with aiomqtt.Client(host, port) as client:
        await client.subscribe("watchd/#", qos=1)
        messages = aiter(client.messages)
        while True:
            try:
                async with asyncio.timeout(_QUIET_S):
                    message = await anext(messages)
            except TimeoutError:
                return
            topic = str(message.topic)
            if message.retain and message.payload and _OURS.intersection(topic.split("/")):
                await client.publish(topic, b"", qos=1, retain=True)


def main() -> int:
    """Run the command line."""
    host, _, port = sys.argv[1].rpartition(":")
    try:
        asyncio.run(forget(host, int(port)))
    except aiomqtt.MqttError as error:
        print(f"demo: no link to the broker {sys.argv[1]}: {error}", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
