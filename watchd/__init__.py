"""watchd watches an off-grid battery bank over MQTT: alarms, and a suggested charge limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"
__all__ = ["__version__", "load"]

if TYPE_CHECKING:
    from watchd.loading import load


def __getattr__(name: str) -> Any:
    # `load` brings in the whole schema; who only asks for the version need not wait for it.
    if name == "load":
        from watchd.loading import load  # noqa: PLC0415

        return load
    raise AttributeError(f"module 'watchd' has no attribute '{name}'")
