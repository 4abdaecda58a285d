"""The JSON behind the page is as its description says: schemathesis asks each address for whatever it allows, and for
what it does not. And nothing that answers JSON is left undescribed."""

from __future__ import annotations

import json
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from schemathesis import checks
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

PLACE = "/static/openapi.json"
EXAMPLES = 6
ASKED = {"Accept": "application/json", "Accept-Encoding": "identity", "Origin": "http://localhost"}
CHECKS = [checks.not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
WITHOUT_PIN = ("/mark", "/wiggle")
PIN = "405162"


@schemathesis.deserializer("application/captive+json")
def captive(_context: Any, response: Any) -> Any:
    return json.loads(response.content)


def described(page: Any) -> dict[str, Any]:
    with page.client.get(PLACE) as answer:
        return json.loads(answer.text)  # type: ignore[no-any-return]


@pytest.mark.slow
@pytest.mark.parametrize("letting_in", [False, True])
def test_every_answer_is_described(past: Any, picture: dict[str, Any], listener: Any, letting_in: bool) -> None:
    """Without the PIN, and with it: then each order goes through to the listening part."""
    past.show(picture)
    listener.answer = {"ok": True, "rows": []}
    schema = schemathesis.openapi.from_dict(described(past))
    schema.app = past.app
    operations = [found.ok() for found in schema.get_all_operations() if isinstance(found, Ok)]
    assert len(operations) == 20
    for operation in operations:

        @given(case=operation.as_strategy())
        @settings(
            max_examples=EXAMPLES, deadline=None, database=None, derandomize=True,
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        def ask(case: Any) -> None:
            past.show(picture)
            if letting_in and isinstance(case.body, dict) and case.operation.path not in WITHOUT_PIN:
                case.body |= {"token": "known", "pin": PIN}
            phone = {"linelamp": cookie(past.app)} if letting_in else {}
            case.call_and_validate(headers=ASKED, cookies=phone, checks=CHECKS)

        ask()
    orders = {asked["do"] for asked in listener.heard}
    assert {"mark", "wiggle"} <= orders
    assert ({"stop", "needs-delete"} <= orders) is letting_in


def cookie(app: Any) -> str:
    """Of a phone whose token is known."""
    serializer = app.session_interface.get_signing_serializer(app)
    return str(serializer.dumps({"token": "known", "_permanent": True}))


def test_nothing_that_answers_json_is_left_undescribed(past: Any, picture: dict[str, Any]) -> None:
    past.show(picture)
    known = {(path, method) for path, what in described(past)["paths"].items() for method in what}
    for rule in past.app.url_map.iter_rules():
        path = rule.rule.replace("<name>", "{name}")
        for method in rule.methods - {"HEAD", "OPTIONS"}:
            address = path.replace("{name}", "alive").replace("<int:id_>", "1").replace("<form>", "raw")
            if rule.endpoint == "static" or address.endswith("/live"):
                continue
            with past.client.open(address, method=method, headers={"Accept": "application/json"}) as answer:
                if answer.mimetype.endswith("json") and not address.startswith("/take/raw"):
                    assert (path, method.lower()) in known, (path, method)


def test_the_picture_of_the_real_listening_part_is_as_described(past: Any, tmp_path: Any) -> None:
    """That of a simulated cab, not of the tests' own making."""
    import jsonschema_rs

    from tests.web.now_states import CASES
    from tests.web.now_states import picture as of

    whole = described(past)
    schema = {"$ref": "#/components/schemas/Picture", "components": whole["components"]}
    jsonschema_rs.validator_for(schema).validate(of(CASES[4], tmp_path))
