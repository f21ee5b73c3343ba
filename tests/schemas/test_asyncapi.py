"""The AsyncAPI document is one: fields, references, parameters and payloads.

Source of the tables: AsyncAPI Specification 3.0.0 and its JSON Schemas (repository
asyncapi/spec-json-schemas, definitions/3.0.0 and bindings/mqtt/0.2.0), Apache-2.0.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft7Validator

from tests.scene import CONFIG, config_of
from tests.schemas.topics import Documented
from watchd import __version__
from watchd.config import Config
from watchd.publish import Publish
from watchd.schemas.topics import topics_document
from watchd.shell.mqtt.publishing import lost_record

# Fields that each object must have, and that it may have beside them.
FIELDS = {
    "document": ("asyncapi info", "id servers defaultContentType channels operations components"),
    "info": ("title version", "description termsOfService contact license tags externalDocs"),
    "server": ("host protocol", """protocolVersion pathname description title summary variables
               security tags externalDocs bindings"""),
    "channel": ("", """address messages title summary description servers parameters tags
                externalDocs bindings"""),
    "parameter": ("", "enum default description examples location"),
    "operation": ("action channel", """title summary description security tags externalDocs
                  bindings traits messages reply"""),
    "reply": ("", "address channel messages"),
    "reply address": ("location", "description"),
    "message": ("", """headers payload correlationId contentType name title summary description
                tags externalDocs bindings examples traits deprecated"""),
    "correlation": ("location", "description"),
    "components": ("", """schemas servers channels operations messages securitySchemes
                   serverVariables parameters correlationIds replies replyAddresses externalDocs
                   tags operationTraits messageTraits serverBindings channelBindings
                   operationBindings messageBindings"""),
    "mqtt server": ("", """clientId cleanSession lastWill keepAlive sessionExpiryInterval
                    maximumPacketSize bindingVersion"""),
    "mqtt will": ("", "topic qos message retain"),
    "mqtt operation": ("", "qos retain messageExpiryInterval bindingVersion"),
}  # fmt: skip
LOCATION = re.compile(r"\$message\.(header|payload)#(/[^/~]*)*")
BROKER = """
broker: {host: "::1", port: 8883, protocol: "3.1.1", tls: {ca_file: ca.pem}}
prefix: huts/ours/
"""
DOCUMENTS = {
    "plain": topics_document(),
    "of a config": topics_document(config_of()),
    "with a broker": topics_document(config_of(BROKER + CONFIG)),
}


def objects(document: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """Each object of the document with its kind."""
    yield "document", document
    yield "info", document["info"]
    yield "components", document["components"]
    for server in document.get("servers", {}).values():
        yield "server", server
        yield "mqtt server", server["bindings"]["mqtt"]
        yield "mqtt will", server["bindings"]["mqtt"]["lastWill"]
    for channel in document["channels"].values():
        yield "channel", channel
        yield from (("parameter", p) for p in channel.get("parameters", {}).values())
    for operation in document["operations"].values():
        yield "operation", operation
        yield "mqtt operation", operation["bindings"]["mqtt"]
        if "reply" in operation:
            yield "reply", operation["reply"]
            yield "reply address", operation["reply"]["address"]
    for message in document["components"]["messages"].values():
        yield "message", message
        if "correlationId" in message:
            yield "correlation", message["correlationId"]


@pytest.fixture(params=list(DOCUMENTS))
def document(request: pytest.FixtureRequest) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(json.dumps(DOCUMENTS[request.param]))
    return found


def test_each_object_has_the_fields_that_it_must_and_may_have(document: dict[str, Any]) -> None:
    found = list(objects(document))
    assert len(found) > 40
    for kind, of in found:
        must, may = (set(fields.split()) for fields in FIELDS[kind])
        assert must <= set(of) <= must | may, kind
    assert document["asyncapi"] == "3.0.0"


def references(node: Any) -> Iterator[str]:
    if isinstance(node, dict):
        if isinstance(node.get("$ref"), str):
            yield node["$ref"]
        for value in node.values():
            yield from references(value)
    elif isinstance(node, list):
        for value in node:
            yield from references(value)


def target(document: dict[str, Any], reference: str) -> Any:
    found: Any = document
    for step in reference.removeprefix("#/").split("/"):
        found = found[step]
    return found


def test_every_reference_leads_somewhere(document: dict[str, Any]) -> None:
    found = set(references(document))
    assert len(found) > 40
    for reference in found:
        assert target(document, reference)


def test_an_operation_has_messages_of_its_channel(document: dict[str, Any]) -> None:
    for operation in document["operations"].values():
        for part in (operation, operation.get("reply", operation)):
            messages = target(document, part["channel"]["$ref"])["messages"]
            for reference in part["messages"]:
                assert reference["$ref"].startswith(part["channel"]["$ref"] + "/messages/")
                assert reference["$ref"].rsplit("/", 1)[1] in messages
        assert operation["action"] in ("send", "receive")


def test_an_address_has_the_parameters_that_the_channel_names(document: dict[str, Any]) -> None:
    for channel in document["channels"].values():
        expressions = re.findall(r"\{(\w+)\}", channel["address"] or "")
        assert expressions == list(channel.get("parameters", {}))


def test_a_reply_with_an_address_has_a_channel_without(document: dict[str, Any]) -> None:
    reply = document["operations"]["receive-request"]["reply"]
    assert target(document, reply["channel"]["$ref"])["address"] is None
    assert LOCATION.fullmatch(reply["address"]["location"])


def test_locations_stand_in_the_headers(document: dict[str, Any]) -> None:
    schemas, messages = document["components"]["schemas"], document["components"]["messages"]
    headers = schemas["RequestHeaders"]["properties"]
    for message in messages.values():
        if "correlationId" in message:
            location = message["correlationId"]["location"]
            assert LOCATION.fullmatch(location)
            assert location.rsplit("/", 1)[1] in headers


def test_payloads_are_json_schema_of_draft_7(document: dict[str, Any]) -> None:
    """As AsyncAPI 3.0.0 has it where a schema names no format of its own."""
    for schema in document["components"]["schemas"].values():
        Draft7Validator.check_schema(schema)
        assert "$defs" not in json.dumps(schema)


def test_the_broker_of_the_config() -> None:
    assert "servers" not in DOCUMENTS["plain"]
    plain = DOCUMENTS["of a config"]["servers"]["broker"]
    assert (plain["host"], plain["protocol"]) == ("localhost:1883", "mqtt")
    found = DOCUMENTS["with a broker"]["servers"]["broker"]
    assert (found["host"], found["protocol"]) == ("[::1]:8883", "secure-mqtt")
    assert found["protocolVersion"] == "3.1.1"


def test_the_prefix_of_the_config() -> None:
    channels = DOCUMENTS["with a broker"]["channels"]
    assert channels["charge-limit"]["address"] == "huts/ours/charge-limit/{bank}"
    assert channels["charge-limit"]["parameters"]["bank"]["enum"] == ["hut"]
    assert channels["pack-figures"]["parameters"]["pack"]["enum"] == ["alder", "birch"]


def test_the_will_is_the_one_that_is_left_with_the_broker() -> None:
    will = DOCUMENTS["with a broker"]["servers"]["broker"]["bindings"]["mqtt"]["lastWill"]
    assert will["message"].encode() == lost_record(__version__)
    left = Publish(will["topic"], will["message"].encode(), will["qos"], will["retain"])
    Documented(DOCUMENTS["with a broker"]).check(left)


def test_advice_lives_as_long_as_the_bank_says() -> None:
    def expiry(config: Config) -> Any:
        operation = topics_document(config)["operations"]["send-charge-limit"]
        return operation["bindings"]["mqtt"]["messageExpiryInterval"]

    limit = "charge_voltage_v: 56.0, charge_limit: {valid_for: 5 min}"
    assert expiry(config_of()) == 120
    assert expiry(config_of(CONFIG.replace("charge_voltage_v: 56.0", limit))) == 300
    second = "banks:\n  shed: {charge_voltage_v: 56.0}"
    two = CONFIG.replace("charge_voltage_v: 56.0", limit).replace("banks:", second)
    two = two.replace("birch: {bank: hut", "birch: {bank: shed")
    assert expiry(config_of(two)) == {"type": "integer", "enum": [120, 300]}
