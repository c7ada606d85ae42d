"""A Modbus server by libmodbus (Debian: libmodbus5), driven through its C interface; no code of ours in it.

    python -m tests.interop.libmodbus_server rtu PATH BAUD UNIT
    python -m tests.interop.libmodbus_server tcp UNIT

Input register n holds INPUT(n), holding register n HOLDING(n). Prints "ready PORT" and serves until standard
input ends. Functions used: libmodbus 3.1, modbus_new_rtu(3), modbus_new_tcp(3), modbus_mapping_new(3),
modbus_receive(3), modbus_reply(3).
"""

from __future__ import annotations

import ctypes
import os
import socket
import sys
import threading

REGISTERS = 800


def input_register(address: int) -> int:
    return (address * 7919 + 11) & 0xFFFF


def holding_register(address: int) -> int:
    return (address * 104729 + 5) & 0xFFFF


class Mapping(ctypes.Structure):
    """modbus_mapping_t of modbus.h, version 3.1."""

    _fields_ = (
        *(
            (name, ctypes.c_int)
            for name in (
                "nb_bits",
                "start_bits",
                "nb_input_bits",
                "start_input_bits",
                "nb_input_registers",
                "start_input_registers",
                "nb_registers",
                "start_registers",
            )
        ),
        ("tab_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_bits", ctypes.POINTER(ctypes.c_uint8)),
        ("tab_input_registers", ctypes.POINTER(ctypes.c_uint16)),
        ("tab_registers", ctypes.POINTER(ctypes.c_uint16)),
    )


def main(kind: str, *rest: str) -> None:
    library = ctypes.CDLL("libmodbus.so.5", use_errno=True)
    for name in ("modbus_new_rtu", "modbus_new_tcp"):
        getattr(library, name).restype = ctypes.c_void_p
    library.modbus_mapping_new.restype = ctypes.POINTER(Mapping)
    library.modbus_strerror.restype = ctypes.c_char_p
    mapping = library.modbus_mapping_new(0, 0, REGISTERS, REGISTERS)
    for address in range(REGISTERS):
        mapping.contents.tab_input_registers[address] = input_register(address)
        mapping.contents.tab_registers[address] = holding_register(address)

    if kind == "rtu":
        path, baud, unit = rest[0], int(rest[1]), int(rest[2])
        context = ctypes.c_void_p(library.modbus_new_rtu(path.encode(), baud, ctypes.c_char(b"E"), 8, 1))
        checked(library, library.modbus_set_slave(context, unit))
        checked(library, library.modbus_connect(context))
        print("ready", flush=True)
    else:
        unit = int(rest[0])
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        context = ctypes.c_void_p(library.modbus_new_tcp(b"127.0.0.1", port))
        checked(library, library.modbus_set_slave(context, unit))
        listening = ctypes.c_int(checked(library, library.modbus_tcp_listen(context, 1)))
        print("ready", port, flush=True)
        checked(library, library.modbus_tcp_accept(context, ctypes.byref(listening)))

    threading.Thread(target=lambda: (sys.stdin.read(), os._exit(0)), daemon=True).start()
    query = (ctypes.c_uint8 * 260)()
    while True:
        length = library.modbus_receive(context, query)
        if length > 0:
            library.modbus_reply(context, query, length, mapping)
        elif length < 0 and kind == "tcp":
            checked(library, library.modbus_tcp_accept(context, ctypes.byref(listening)))


def checked(library: ctypes.CDLL, result: int) -> int:
    if result < 0:
        raise SystemExit(library.modbus_strerror(ctypes.get_errno()).decode())
    return result


if __name__ == "__main__":
    main(*sys.argv[1:])
