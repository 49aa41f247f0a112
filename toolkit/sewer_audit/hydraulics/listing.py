"""Every device the library rates, with the keys that describe it."""

from __future__ import annotations

from typing import Any

import sewer_audit.hydraulics.kinds  # noqa: F401  (fills DEVICES)
from sewer_audit.hydraulics.registry import DEVICES

__all__ = ["device_list", "device_rows"]

ECHO = "echo"


def device_rows() -> list[dict[str, Any]]:
    """Devices and their keys.

    Returns
    -------
    list of dict
        device, methods (other words for it in a case), keys: list of name, required, example,
        about; JSON-ready [text].
    """
    return [
        {
            "device": word,
            "methods": list(kind.methods),
            "keys": [
                {"name": n, "required": s.required, "example": s.example, "about": s.about}
                for n, s in kind.sizes.items()
            ],
        }
        for word, kind in DEVICES.items()
    ]


def device_list() -> str:
    """The same as text for a terminal.

    Returns
    -------
    str
        A block a device: its words, what it needs and what it may be told [text].
    """
    lines = ["Devices, the sizes each needs, and those it may be told (in brackets):", ""]
    for row in device_rows():
        also = f"   (in a case file also: {', '.join(row['methods'])})" if row["methods"] else ""
        lines.append(f"{row['device']}{also}")
        for key in row["keys"]:
            shown = f"{key['name']}={key['example']}"
            shown = f"'{shown}'" if key["required"] else f"['{shown}']"
            lines.append(f"  {shown:<44} {key['about']}")
    lines += [
        f"{ECHO}   (distance and level from an echo time; no discharge)",
        "  its keys stand in the message of: sewer-audit discharge echo",
        "",
        "A reading follows the sizes: 'head=3 in', or 'depth=…' and 'velocity=…', or 'flow=…'.",
        "Example: sewer-audit discharge parshall 'throat=6 in' 'head=3 in'",
    ]
    return "\n".join(lines)
