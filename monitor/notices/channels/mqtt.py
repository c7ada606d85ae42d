"""An MQTT broker: notices at QoS 1, retained states, and a last will that says 'offline' when we are gone.

    <prefix>/daemon        online | offline, retained; offline is the last will
    <prefix>/state         JSON, retained: what stands, charge and voltage; the next one comes within every_s
    <prefix>/alarm/<name>  JSON, retained: one alarm's state
    <prefix>/notice        JSON, QoS 1, not retained

The last will tells of a daemon that died or lost its network; one that hangs keeps its connection, and shows
in a <prefix>/state that is older than its own every_s.

paho's thread holds a connection and would send what was under way again after a new one, unmarked. So each
connection is a client of its own: when it is lost, what was under way goes back to the outbox, which marks
it.
"""

from __future__ import annotations

import json
import logging
import re
import threading
import time
from typing import Any

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from monitor.errors import NoticeError
from monitor.notices.channels import Picture, document_of
from monitor.notices.policy import RANK
from monitor.notices.secrets import Secrets
from monitor.records import AlarmState, Notice, iso_utc
from monitor.site.channel_tables import ChannelEntry

log = logging.getLogger("nightbank")

PORTS = {"none": 1883, "tls": 8883}
"""IANA's registered ports of MQTT without and with TLS (from memory)."""

KEEPALIVE_S = 30
"""The broker sends the last will after one and a half of these without a word (MQTT 3.1.1, 3.1.2.10)."""

LOOK_S = 0.02
"""So often is looked whether a notice was confirmed (our choice: a near broker takes milliseconds)."""

ANSWER_S = 10.0
"""A broker that has not confirmed a notice by then has to be asked again (our choice)."""

AGAIN_S = (1, 60)
"""Between two tries to connect: the first wait and the longest, doubled in between (our choice)."""


class MqttChannel:
    """A channel of kind mqtt; takes notices and shows how things stand."""

    def __init__(self, entry: ChannelEntry, site: str, secrets: Secrets, *, presence: bool = True) -> None:
        """Begins to connect, in paho's own thread. Without presence nothing is said on <prefix>/daemon."""
        self._presence = presence
        self._entry, self._site, self._secrets = entry, site, secrets
        self._security = entry.security or "none"
        self._where = f"{entry.host} port {entry.port or PORTS[self._security]}"
        self._lock = threading.Lock()
        self._client: paho.Client | None = None
        self._up, self._settled = threading.Event(), threading.Event()
        self._why = "not connected yet"
        self._picture: Picture | None = None
        self._shown: dict[str, str] = {}
        self._losses = 0
        self._closed = False
        self._begin()

    def send(self, notice: Notice) -> None:
        self._begin()
        self._settled.wait(ANSWER_S)
        client = self._client
        if client is None or not self._up.is_set():
            raise NoticeError(f"the broker {self._where} cannot be reached ({self._why})")
        payload = json.dumps(document_of(notice, self._site), ensure_ascii=False)
        sent = client.publish(f"{self._entry.prefix}/notice", payload, qos=1)
        looks = 0  # counted, not timed: after a stop of this process the broker's word still has to be read
        while not _confirmed(sent):
            looks += 1
            if client is not self._client or looks * LOOK_S > ANSWER_S:
                self._drop(client)
                text = f"the broker {self._where} did not confirm it ({self._why or 'no answer'})"
                raise NoticeError(text, may_have_arrived=True)
            time.sleep(LOOK_S)

    def show(self, picture: Picture) -> None:
        self._picture = picture
        self._begin()
        if self._client is not None and self._up.is_set():
            self._publish(self._client, picture)

    def close(self) -> None:
        self._closed = True
        client, self._client = self._client, None
        if client is not None and self._up.is_set() and self._presence:
            last = client.publish(f"{self._entry.prefix}/daemon", "offline", qos=1, retain=True)
            try:
                last.wait_for_publish(2.0)
            except (RuntimeError, ValueError):
                log.warning("%s: the broker did not take the last word", self._entry.name)
        if client is not None:
            client.disconnect()
            client.loop_stop()

    def _begin(self) -> None:
        """A client that connects, unless there is one. Returns at once; a fault is what `_why` then says."""
        with self._lock:
            if self._client is not None or self._closed:
                return
            try:
                client = self._made()
            except NoticeError as error:
                self._why = str(error)
                self._settled.set()
                self._begin_later()
                return
            self._client = client
            self._settled.clear()
        client.loop_start()

    def _begin_later(self) -> None:
        first_s, most_s = AGAIN_S
        waiting = threading.Timer(min(most_s, first_s * 2.0 ** min(self._losses, 10)), self._begin)
        self._losses += 1
        waiting.daemon = True
        waiting.start()

    def _made(self) -> paho.Client:
        entry = self._entry
        client = paho.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        if entry.user is not None:
            client.username_pw_set(entry.user, self._secrets.get(entry.secret or ""))
        if self._security == "tls":
            client.tls_set()
        if self._presence:
            client.will_set(f"{entry.prefix}/daemon", "offline", qos=1, retain=True)
        client.on_connect = self._connected
        client.on_connect_fail = self._failed
        client.on_disconnect = self._lost
        client.connect_async(entry.host or "", entry.port or PORTS[self._security], KEEPALIVE_S)
        return client

    def _connected(self, client: paho.Client, _user: Any, _flags: Any, reason: Any, _more: Any) -> None:
        if reason.is_failure:
            self._why = f"it says: {reason}"
            return
        if client is not self._client:
            client.disconnect()
            return
        self._losses, self._why, self._shown = 0, "", {}
        self._up.set()
        self._settled.set()
        if self._presence:
            client.publish(f"{self._entry.prefix}/daemon", "online", qos=1, retain=True)
        if self._picture is not None:
            self._publish(client, self._picture)

    def _failed(self, client: paho.Client, _user: Any) -> None:
        self._gone(client, "no answer")

    def _lost(self, client: paho.Client, _user: Any, _flags: Any, reason: Any, _more: Any) -> None:
        self._gone(client, self._why or f"the connection ended: {reason}")

    def _gone(self, client: paho.Client, why: str) -> None:
        """A client's connection is no more; the next one is a client of its own."""
        with self._lock:
            if client is not self._client:
                return
            self._client = None
        self._why = why
        self._up.clear()
        self._settled.set()
        self._begin_later()

    def _drop(self, client: paho.Client) -> None:
        """Give a client up with all that it has under way."""
        self._gone(client, "it did not answer")
        client.disconnect()
        client.loop_stop()

    def _publish(self, client: paho.Client, picture: Picture) -> None:
        prefix = self._entry.prefix
        client.publish(f"{prefix}/state", json.dumps(self._state(picture)), qos=1, retain=True)
        for state in picture.alarms:
            topic, text = (
                f"{prefix}/alarm/{topic_of(state.name)}",
                json.dumps(_alarm(state), ensure_ascii=False),
            )
            if self._shown.get(topic) != text:
                self._shown[topic] = text
                client.publish(topic, text, qos=1, retain=True)

    def _state(self, picture: Picture) -> dict[str, Any]:
        standing = [state for state in picture.alarms if state.stands]
        highest = max(
            (state.priority for state in standing), key=lambda each: RANK.get(each, 0), default=None
        )
        values = {
            name: {"value": value, "at": iso_utc(at_ms)} for name, (value, at_ms) in picture.values.items()
        }
        return {
            "site": self._site,
            "at": iso_utc(picture.at_ms),
            "every_s": picture.every_s,
            "standing": [state.name for state in standing],
            "highest_priority": highest,
            "values": values,
        }


def _confirmed(sent: paho.MQTTMessageInfo) -> bool:
    """Whether the broker has said that it has a message."""
    try:
        return sent.is_published()
    except (RuntimeError, ValueError):  # the connection went before it could be sent
        return False


def topic_of(name: str) -> str:
    """An alarm's name as the last level of a topic: 'Device silent: shunt' is 'device-silent-shunt'."""
    return re.sub(r"\W+", "-", name.casefold()).strip("-") or "alarm"


def _alarm(state: AlarmState) -> dict[str, Any]:
    return {
        "name": state.name,
        "state": state.state,
        "stands": state.stands,
        "priority": state.priority,
        "since": iso_utc(state.since_ms),
        "value": state.value,
        "text": state.text,
    }
