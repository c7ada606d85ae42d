"""The devices put up, simulated time, and the control channel: JSON lines in, JSON lines out."""

from __future__ import annotations

import json
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, TextIO

from simulator.faults import FaultError, number, ordered
from simulator.line import SerialEnd
from simulator.modbus_device import RegisterDevice, RtuServer
from simulator.plant import Plant
from simulator.sunspec_device import SunSpecDevice
from simulator.tcp_server import TcpServer
from simulator.text_device import TextDevice
from simulator.timekeeper import OrderError, Timekeeper, TruthFile
from simulator.wiring import Hands
from simulator.worker import Worker
from simulator.world import World

LINE_EVERY_S = 1.0


class Service:
    """All devices of one world. `start`, then `obey` lines, then `stop`."""

    def __init__(self, world: World, ports: Path, tcp_port: int, truth_file: Path | None) -> None:
        """Raises OSError where a port cannot be made."""
        self.world = world
        self._truth_file = TruthFile(truth_file) if truth_file is not None else None
        self.time = Timekeeper(Plant(world), self._truth_file.write if self._truth_file else None)
        ports.mkdir(parents=True, exist_ok=True)
        kind = SunSpecDevice if world.charger.map == "sunspec" else RegisterDevice
        self.charger = kind(
            world.charger.unit,
            world.meters,
            world.controller.temperature_compensation_V_per_C,
            self.time.look,
            world.seed,
        )
        self.rtu = RtuServer(
            self.charger, SerialEnd(ports / "charger"), world.charger.baud, world.charger.turnaround_s
        )
        self.tcp = TcpServer(self.charger, tcp_port)
        self.shunt = TextDevice(
            SerialEnd(ports / "shunt"), world.shunt.baud, world.meters, self.time.look, world.seed
        )
        self._shunt_lock = threading.Lock()
        self._next_line_s = 0.0
        self._on_serial = Worker("charger", self.rtu.serve_once)
        self._on_tcp = Worker("charger-tcp", self.tcp.serve_once)
        self._on_text = Worker("shunt", self._serve_text)

    def start(self) -> dict[str, Any]:
        """Bring the devices to life; what the ready line says."""
        sys.setswitchinterval(0.0005)  # a thread that steps the plant must not delay a reply on the wire
        for worker in (self._on_serial, self._on_tcp, self._on_text):
            worker.start()
        world = self.world
        return {
            "ready": True,
            "time_ms": self.time.look().time_ms,
            "devices": {
                "charger": {
                    "kind": self.charger.kind,
                    "serial": str(self.rtu.end.link),
                    "baud": world.charger.baud,
                    "unit": world.charger.unit,
                    "tcp": ["127.0.0.1", self.tcp.port],
                },
                "shunt": {
                    "kind": "marsh-shunt",
                    "serial": str(self.shunt.end.link),
                    "baud": world.shunt.baud,
                },
            },
        }

    def stop(self) -> None:
        """Take everything down; may be called twice."""
        for worker in (self._on_serial, self._on_tcp, self._on_text):
            worker.end()
        self.rtu.end.unplug()
        self.shunt.end.unplug()
        self.tcp.unplug()
        if self._truth_file is not None:
            self._truth_file.close()

    def obey(self, line: str) -> dict[str, Any]:
        """The answer to one control line."""
        try:
            order = json.loads(line)
            if not isinstance(order, dict) or order.get("do") not in DEEDS:
                raise OrderError(f"expected an object with `do`, one of {', '.join(DEEDS)}")
            more = DEEDS[order["do"]](self, order)
        except json.JSONDecodeError as error:
            return {"ok": False, "error": f"not JSON: {error}"}
        except (OrderError, FaultError) as error:
            return {"ok": False, "error": str(error)}
        return {"ok": True, "time_ms": self.time.look().time_ms, **more}

    def _advance(self, order: dict[str, Any]) -> dict[str, Any]:
        to_ms = order.get("to_ms")
        if not isinstance(to_ms, int) or isinstance(to_ms, bool):
            raise OrderError(f"advance needs to_ms, whole milliseconds since 1970, not {to_ms!r}")
        self.time.advance(to_ms)
        with self._shunt_lock:
            self.shunt.tell(paced=False)
        return {}

    def _run(self, order: dict[str, Any]) -> dict[str, Any]:
        self.time.run(number(order, "speed", 1.0, 0.001, 100_000))
        return {}

    def _hold(self, order: dict[str, Any]) -> dict[str, Any]:
        self.time.hold()
        return {}

    def _truth(self, order: dict[str, Any]) -> dict[str, Any]:
        lines = {
            "charger": {
                "frames": self.rtu.frames,
                "early": self.rtu.early,
                "functions": dict(self.charger.functions),
                "faults": self.charger.fault.hits,
            },
            "shunt": {"lines": self.shunt.lines, "faults": self.shunt.fault.hits},
        }
        return {"truth": self.time.look().as_dict(), "lines": lines}

    def _loads(self, order: dict[str, Any]) -> dict[str, Any]:
        name, on = order.get("name"), order.get("on")
        names = [load.name for load in self.world.loads]
        if name not in names:
            raise OrderError(f"no load named {name!r}; there are {', '.join(names)}")
        if on not in (True, False, None):
            raise OrderError(f"`on` must be true, false or null, not {on!r}")
        self.time.change(lambda plant: plant.loads.set(str(name), on))
        return {}

    def _sky(self, order: dict[str, Any]) -> dict[str, Any]:
        clearness = None if order.get("clearness") is None else number(order, "clearness", 0.0, 0.0, 1.3)

        def deed(plant: Plant) -> None:
            plant.sky.clearness = clearness

        self.time.change(deed)
        return {}

    def _switch(self, order: dict[str, Any]) -> dict[str, Any]:
        name, on = order.get("name"), order.get("on")
        if name not in ("array", "battery") or not isinstance(on, bool):
            raise OrderError("switch needs `name`, array or battery, and `on`, true or false")

        def deed(hands: Hands) -> None:
            setattr(hands, f"{name}_off", not on)

        self.time.change(lambda plant: plant.handle(deed))
        return {}

    def _string(self, order: dict[str, Any]) -> dict[str, Any]:
        number, on = _numbered(order)

        def deed(hands: Hands) -> None:
            (hands.strings_off.discard if on else hands.strings_off.add)(number)

        self.time.change(lambda plant: plant.handle(deed))
        return {}

    def _cover(self, order: dict[str, Any]) -> dict[str, Any]:
        number, on = _numbered(order)

        def deed(hands: Hands) -> None:
            (hands.covered.add if on else hands.covered.discard)(number)

        self.time.change(lambda plant: plant.handle(deed))
        return {}

    def _hand(self, order: dict[str, Any]) -> dict[str, Any]:
        on = order.get("on")
        if not isinstance(on, bool):
            raise OrderError(f"hand needs `on`, true or false, not {on!r}")

        def deed(hands: Hands) -> None:
            hands.on_probe = on

        self.time.change(lambda plant: plant.handle(deed))
        return {}

    def _fault(self, order: dict[str, Any]) -> dict[str, Any]:
        device = self._device(order)
        device.order(ordered(order, device.kinds))
        return {}

    def _unplug(self, order: dict[str, Any]) -> dict[str, Any]:
        self._plugged(order, False)
        return {}

    def _plug(self, order: dict[str, Any]) -> dict[str, Any]:
        self._plugged(order, True)
        return {}

    def _restart(self, order: dict[str, Any]) -> dict[str, Any]:
        device = self._device(order)
        device.silent_until_s = time.monotonic() + number(order, "silent_s", 3.0, 0.0, 3600.0)
        if device is self.charger:
            self.time.change(lambda plant: plant.controller.restart())
        return {}

    def _quit(self, order: dict[str, Any]) -> dict[str, Any]:
        return {"quit": True}

    def _device(self, order: dict[str, Any]) -> RegisterDevice | TextDevice:
        name = order.get("device")
        if name not in ("charger", "shunt"):
            raise OrderError(f"no device named {name!r}; there are charger, shunt")
        return self.charger if name == "charger" else self.shunt

    def _plugged(self, order: dict[str, Any], plugged: bool) -> None:
        if self._device(order) is self.charger:
            try:
                self._on_serial.ask(self.rtu.end.plug if plugged else self.rtu.end.unplug)
                self._on_tcp.ask(self.tcp.plug if plugged else self.tcp.unplug)
            except OSError as error:
                raise OrderError(f"the charger's port cannot be put up again: {error}") from error
            return
        with self._shunt_lock:
            if plugged:
                self.shunt.end.plug()
            else:
                self.shunt.end.unplug()

    def _serve_text(self, timeout_s: float) -> None:
        """A line a second of real time while time runs."""
        left_s = self._next_line_s - time.monotonic()
        if left_s > 0 or not self.time.running:
            time.sleep(min(timeout_s, left_s) if left_s > 0 else timeout_s)
            return
        due_s = self._next_line_s if left_s > -LINE_EVERY_S else time.monotonic()
        self._next_line_s = due_s + LINE_EVERY_S
        self.time.look()
        with self._shunt_lock:
            self.shunt.tell(paced=True)


def _numbered(order: dict[str, Any]) -> tuple[int, bool]:
    """A string's number and whether on. Raises OrderError."""
    place, on = order.get("number"), order.get("on")
    if type(place) is not int or place < 1 or not isinstance(on, bool):
        raise OrderError(f"{order['do']} needs `number`, a string from 1, and `on`, true or false")
    return place, on


DEEDS: dict[str, Callable[[Service, dict[str, Any]], dict[str, Any]]] = {
    "advance": Service._advance,
    "run": Service._run,
    "hold": Service._hold,
    "truth": Service._truth,
    "loads": Service._loads,
    "sky": Service._sky,
    "switch": Service._switch,
    "string": Service._string,
    "cover": Service._cover,
    "hand": Service._hand,
    "fault": Service._fault,
    "unplug": Service._unplug,
    "plug": Service._plug,
    "restart": Service._restart,
    "quit": Service._quit,
}


def talk(service: Service, orders: TextIO, answers: TextIO) -> None:
    """Ready line, then one answer a line until quit or the end of the orders; then the service is stopped."""
    try:
        print(json.dumps(service.start()), file=answers, flush=True)
        for line in orders:
            if not line.strip():
                continue
            answer = service.obey(line)
            done = answer.pop("quit", False)
            print(json.dumps(answer), file=answers, flush=True)
            if done:
                break
    finally:
        service.stop()
