"""The table [publish] of rig.toml: where analysis lines and alarms are sent."""

from __future__ import annotations

import re

from monitor.plan.fields import Fields, shown
from monitor.plan.model import Publish

__all__ = ["read_publish"]

_BROKER = re.compile(r"mqtts?://(?:\[[0-9a-fA-F:.]+\]|[\w.-]+)(?::(?P<port>\d{1,5}))?")
_TOPIC = re.compile(r"[^/+#$\0][^/+#\0]*(?:/[^/+#\0]+)*")


def read_publish(fields: Fields | None) -> Publish | None:
    """[publish]: the broker to which lines and alarms go; None where there is no such table."""
    if fields is None:
        return None
    broker = _broker(fields)
    says = "a topic, such as lab/hood-2: no wildcard, no slash at either end"
    topic = fields.text("topic", says, required=True) or ""
    if topic and not _TOPIC.fullmatch(topic):
        fields.problem("topic", f"found {shown(topic)}", says)
    user = fields.text("user", "the name to log in with")
    password_env = fields.text("password_env", "an environment variable that holds the password")
    if password_env is not None and user is None:
        fields.problem("user", "it is missing beside password_env", "the name to log in with")
    ca_file = _ca_file(fields, broker)
    fields.finish()
    return Publish(broker, topic, user, password_env, ca_file)


def _ca_file(fields: Fields, broker: str) -> str | None:
    """As the drivers call it; `ca` stands in rigs, and so in journals, written before."""
    key = "ca" if "ca" in fields else "ca_file"
    ca_file = fields.text(key, "the file of the lab's own certificate authority")
    if key == "ca" and "ca_file" in fields:
        fields.problem("ca", "it is named twice", "ca_file alone")
        fields.text("ca_file", "")
    if ca_file is not None and broker.startswith("mqtt://"):
        fields.problem(key, "the connection is not encrypted", 'broker = "mqtts://host:8883"')
    return ca_file


def _broker(fields: Fields) -> str:
    says = "mqtt://host:1883 or mqtts://host:8883"
    broker = fields.text("broker", says, required=True) or ""
    found = _BROKER.fullmatch(broker)
    if "@" in broker:
        fields.problem("broker", "a name or password in it", f"{says}, and user, password_env")
    elif broker and (found is None or not 0 < int(found["port"] or 1) < 65536):
        fields.problem("broker", f"found {shown(broker)}", says)
    return broker
