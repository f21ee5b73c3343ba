"""amqtt's broker on a loopback port, as a program: `python amqtt_broker.py PORT`."""

import asyncio
import logging
import sys

from amqtt.broker import Broker


async def serve(port: int) -> None:
    """Serve until killed."""
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {}},
        }
    )
    await broker.start()
    await asyncio.Event().wait()


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(int(sys.argv[1])))
