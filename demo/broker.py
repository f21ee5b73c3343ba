"""The demo's own MQTT broker, on the loopback interface only: `python -m demo.broker PORT_FILE`."""

import asyncio
import logging
import signal
import socket
import sys
from collections.abc import Callable
from pathlib import Path

from amqtt.broker import Broker

_HOST = "127.0.0.1"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((_HOST, 0))
        return int(probe.getsockname()[1])


async def serve(tell_port: Callable[[int], object]) -> None:
    """Serve until told to stop; the port is told once clients can come."""
    port = _free_port()
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"{_HOST}:{port}"}},
            "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {}},
        }
    )
    stopped = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stopped.set)
    await broker.start()
    tell_port(port)
    await stopped.wait()
    await broker.shutdown()


def main() -> int:
    """Run the command line."""
    logging.basicConfig(level=logging.WARNING)
    for chatty in ("amqtt", "transitions"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
    port_file = Path(sys.argv[1])
    asyncio.run(serve(lambda port: port_file.write_text(f"{port}\n")))
    return 0


if __name__ == "__main__":
    sys.exit(main())
