"""The serial ports of this machine, by pyserial."""

from __future__ import annotations

from serial.tools import list_ports as pyserial_ports


def list_ports() -> list[dict[str, str]]:
    """Port, description and hardware identity of each, by name."""
    return [
        {"port": info.device, "description": info.description, "identity": info.hwid}
        for info in sorted(pyserial_ports.comports())
    ]
