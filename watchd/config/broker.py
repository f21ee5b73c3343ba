"""The broker, TLS to it, and what may be asked of watchd over it."""

from __future__ import annotations

from ipaddress import ip_address

from pydantic import Field, model_validator

from watchd.config.values import Host, Protocol, Theirs
from watchd.schema import Duration, PartError, Section
from watchd.telemetry.topics import topic_fault

PLAIN_PORT = 1883  # registered at IANA as mqtt; 8883 as secure-mqtt
LONGEST_ANSWER_TOPIC = 1000


class Tls(Section):
    """TLS to the broker. Its certificate is always verified."""

    ca_file: str | None = Field(None, description="CA certificates; default: the system's")
    cert_file: str | None = Field(None, description="client certificate")
    key_file: str | None = Field(
        None, description="its key, without a passphrase: nobody is there to enter one"
    )

    @model_validator(mode="after")
    def _whole(self) -> Tls:
        if self.key_file is not None and self.cert_file is None:
            raise PartError("a key goes with its certificate: give cert_file", "key_file")
        return self


class Broker(Section):
    """The MQTT broker that carries the packs' telemetry."""

    host: Host = Field("localhost", description="name or address")
    port: int = Field(1883, ge=1, le=65535, description="usual: 1883, with TLS 8883")
    protocol: Protocol = Field(
        "5", description="5 lets advice expire in the broker; falls back to 3.1.1 where refused"
    )
    user: str | None = Field(None, description="user name, if the broker wants one")
    password_file: str | None = Field(None, description="file that holds the password, one line")
    password_credential: str | None = Field(
        None, description="name of a service credential that holds the password"
    )
    tls: Tls | None = Field(None, description="TLS; leave out for none")
    keepalive: Duration = Field(30.0, ge=5, le=3600, description="a silent link is dead after it")

    @model_validator(mode="after")
    def _one_secret(self) -> Broker:
        if self.password_file and self.password_credential:
            what = "give password_file or password_credential, not both"
            raise PartError(what, "password_credential", at_key=True)
        if (self.password_file or self.password_credential) and self.user is None:
            raise ValueError("a password needs a user")
        return self

    def cautions(self) -> list[str]:
        """What works, but is likely not meant, or open to others."""
        found = []
        if self.tls is not None and self.port == PLAIN_PORT:
            found.append(
                f"tls is on with port {PLAIN_PORT}, which usually is the one without; 8883 is usual"
            )
        if self.tls is None and self.user is not None and not is_local(self.host):
            found.append(
                f"user and password go to {self.host} unencrypted, and who listens on the way can "
                "read them: use tls"
            )
        return found


class Requests(Section):
    """What people ask of watchd over the broker. Who may ask is the broker's to say."""

    enabled: bool = Field(True, description="no: nothing can be asked, nor an alarm acknowledged")
    named_only: bool = Field(
        False,
        description="yes: only on PREFIX/request/NAME, which an access list can bind to a user",
    )
    most_a_minute: int = Field(
        30, ge=1, le=100_000, description="requests of one NAME; more are refused"
    )
    answer_below: list[Theirs] | None = Field(
        None,
        description="first levels of topics on which answers may go, beside PREFIX/response; "
        "default: any but watchd's own and telemetry's",
    )

    @model_validator(mode="after")
    def _topics(self) -> Requests:
        for number, topic in enumerate(self.answer_below or ()):
            fault = topic_fault(topic, LONGEST_ANSWER_TOPIC)
            if fault is None and any(c in topic for c in "+#"):
                fault = "it has a wildcard"
            if fault is not None:
                what = f"'{topic[:80]}' cannot be the beginning of a topic: {fault}"
                raise PartError(what, "answer_below", number)
        return self


def is_local(host: str) -> bool:
    """Whether what goes to this host stays in this computer."""
    if host.lower().rstrip(".") in ("localhost", "ip6-localhost"):
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
