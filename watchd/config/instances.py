"""The config of one of several daemons that share the banks: its banks, and names of its own."""

from __future__ import annotations

from collections.abc import Mapping

from watchd.config.file import Config, Store
from watchd.config.phone import Phone
from watchd.config.share import instance_of
from watchd.config.sources import Source
from watchd.errors import WatchdError


def of_instance(config: Config, instance: int) -> Config:
    """The config as the daemon `instance` has it. Raises WatchdError where there is none such.

    Its topics are below PREFIX/INSTANCE, and its files have `-INSTANCE` in their names.
    """
    if config.share is None:
        raise WatchdError(
            f"instance {instance} is asked for, but the config does not say that daemons share the "
            "banks; see share: in config.example.yaml"
        )
    of = config.share.of
    if not 1 <= instance <= of:
        raise WatchdError(f"instance {instance} is none of 1 to {of}; share: of: {of}")
    banks = {n: b for n, b in config.banks.items() if instance_of(n, of) == instance}
    if not banks:
        raise WatchdError(
            f"no bank falls to instance {instance} of {of}; fewer instances are enough"
        )
    packs = {n: p for n, p in config.packs.items() if p.bank in banks}
    update = {
        "banks": banks,
        "packs": packs,
        "sources": [s for s in config.sources if _is_ours(s, packs)],
        "prefix": f"{config.prefix}/{instance}",
        "store": _store(config.store, instance),
        "phone": config.phone and _phone(config.phone, instance),
    }
    return config.model_copy(update=update)


def _is_ours(source: Source, packs: Mapping[str, object]) -> bool:
    return source.pack is None or "{bank}" in source.topic or source.pack in packs


def _store(store: Store, instance: int) -> Store:
    return store.model_copy(update={"path": _numbered(store.path, instance)})


def _phone(phone: Phone, instance: int) -> Phone:
    return phone.model_copy(update={"queue": _numbered(phone.queue, instance)})


def _numbered(path: str, instance: int) -> str:
    """`/var/lib/watchd/watchd.db` as `/var/lib/watchd/watchd-2.db`."""
    folder, stroke, name = path.rpartition("/")
    stem, dot, ending = name.rpartition(".")
    own = f"{stem}-{instance}.{ending}" if dot and stem else f"{name}-{instance}"
    return f"{folder}{stroke}{own}"
