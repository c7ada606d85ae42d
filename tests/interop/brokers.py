"""Debian's mosquitto as a process, and a second client that listens to it."""

from __future__ import annotations

import getpass
import json
import shutil
import socket
import subprocess
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.ports import free_port
from tests.waiting import wait_for

CHANNEL = """
[[channels]]
name = "broker"
kind = "mqtt"
host = "127.0.0.1"
port = {port}
"""
"""A site file's table for a broker here."""

MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


class Broker:
    """A broker on a port that stays the same over `stop` and `start`; it asks for a password if told one."""

    def __init__(self, folder: Path, *, user: str = "", password: str = "", port: int | None = None) -> None:
        self.port = port or free_port()
        self.config = folder / "mosquitto.conf"
        lines = [f"listener {self.port} 127.0.0.1", f"allow_anonymous {'false' if user else 'true'}"]
        if user:
            passwords = folder / "passwords"
            subprocess.run(["mosquitto_passwd", "-b", "-c", passwords, user, password], check=True)
            # started as root it would become a user that may not read the test's folder
            lines += [f"password_file {passwords}", f"user {getpass.getuser()}"]
        self.config.write_text("\n".join(lines) + "\n")
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [MOSQUITTO, "-c", str(self.config)]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        wait_for(self._answers)

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.stop()


class Listener:
    """A client of its own that keeps all messages, with the time of each by the monotonic clock."""

    def __init__(self, port: int, *, user: str = "", password: str = "") -> None:
        self.messages: list[tuple[str, str, bool, float]] = []
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if user:
            self._client.username_pw_set(user, password)
        self._client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_message = self._take
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(60)

    def _take(self, _client: paho.Client, _user: Any, message: paho.MQTTMessage) -> None:
        text = message.payload.decode("utf-8")
        self.messages.append((message.topic, text, message.retain, time.monotonic()))

    def texts(self, topic: str) -> list[str]:
        return [text for at, text, *_ in self.messages if at == topic]

    def documents(self, topic: str) -> list[dict[str, Any]]:
        return [json.loads(text) for text in self.texts(topic)]

    def last(self, topic: str) -> str:
        found = self.texts(topic)
        return found[-1] if found else ""

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
