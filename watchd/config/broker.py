"""The broker, and TLS to it."""

from __future__ import annotations

from pydantic import Field, model_validator

from watchd.config.values import Protocol
from watchd.schema import Duration, PartError, Section


class Tls(Section):
    """TLS to the broker. Its certificate is always verified."""

    ca_file: str | None = Field(None, description="CA certificates; default: the system's")
    cert_file: str | None = Field(None, description="client certificate")
    key_file: str | None = Field(None, description="key of the client certificate")


class Broker(Section):
    """The MQTT broker that carries the packs' telemetry."""

    host: str = Field("localhost", min_length=1, description="name or address")
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
