"""A volume as an ordinance states it: an expression of named volumes, read by a small grammar.

``0.95 * intake - deduct``, ``0.95 * (intake - deduct)``, ``max(5, round_down(intake, 1))``. Nothing
is executed: the text is parsed into a tree, every node must be one of those listed here, and the
tree is walked with the arithmetic that prices the rest of a bill.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import Any

from sewer_audit.charges.schedule.figures import Rounding

_ROUNDINGS = {"round_down": "down", "round_up": "up", "round_half_up": "half up"}
LIMITS = ("min", "max")
_SIGNS = str.maketrans({"×": "*", "·": "*", "−": "-", "–": "-", "÷": "/"})
_KNOWN = "+ - * /, brackets, min, max, round_down, round_up and round_half_up(x, step)"
_LONGEST = 500  # characters; a rule of an ordinance is a line or two
_OPERATIONS = {ast.Add: "+", ast.Sub: "-", ast.Mult: "*", ast.Div: "/"}

Node = tuple[Any, ...]


@dataclass(frozen=True)
class VolumeExpression:
    """A rule that was understood: its text and its tree.

    A node is ("figure", Decimal), ("volume", name), ("+", a, b), ("-", a, b), ("*", a, b),
    ("/", a, b), ("min", a, b, ...), ("max", a, b, ...) or ("round", rule, a, step).
    """

    text: str
    tree: Node

    @property
    def names(self) -> tuple[str, ...]:
        """Volumes it names, in order [text]."""
        return tuple(dict.fromkeys(node[1] for node in nodes(self.tree) if node[0] == "volume"))

    @property
    def taken_off(self) -> tuple[str, ...]:
        """Volumes it takes off, in order [text]."""
        return tuple(dict.fromkeys(_taken_off(self.tree, False)))

    def value(self, volume_of: Callable[[str], Any], arithmetic: Any) -> Any:
        """The volume, from those it names.

        Units: returns [unit of the named volumes].
        """
        return _value(self.tree, volume_of, arithmetic)

    def but(self, tree: Node) -> VolumeExpression:
        """The same with another tree."""
        return VolumeExpression(written(tree), tree)


def expression(text: str) -> VolumeExpression:
    """Read a rule; refused with the place where it is not understood."""
    try:
        if len(text) > _LONGEST:
            raise ValueError("too long")
        parsed = ast.parse(text.translate(_SIGNS).strip(), mode="eval").body
    except (SyntaxError, ValueError, MemoryError, RecursionError) as error:
        hint = "; write 95 % as 0.95" if "%" in text else ""
        place = getattr(error, "offset", None) or 1
        raise ValueError(
            f"rule {text!r} is not understood at character {place}{hint}; "
            f"write with {_KNOWN}, for example '0.95 * intake - deduct'"
        ) from None
    tree = _read(parsed, text)
    if _degree(tree, text) == 0:
        raise ValueError(f"rule {text!r} names no volume; write for example '0.95 * intake'")
    return VolumeExpression(text, tree)


def _refused(node: ast.AST, text: str, why: str) -> ValueError:
    place = getattr(node, "col_offset", 0) + 1
    part = ast.get_source_segment(text.translate(_SIGNS).strip(), node) or text
    return ValueError(f"rule {text!r}: {part!r} at character {place} {why}")


def _read(node: ast.AST, text: str) -> Node:
    """The tree of one allowed node."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str) and node.value.strip():
        return ("volume", node.value.strip())
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        try:
            return ("figure", Decimal(ast.get_source_segment(text.translate(_SIGNS).strip(), node)))
        except InvalidOperation:
            raise _refused(node, text, "is no decimal number") from None
    if isinstance(node, ast.Name):
        return ("volume", node.id)
    if isinstance(node, ast.BinOp) and type(node.op) in _OPERATIONS:
        sides = _read(node.left, text), _read(node.right, text)
        return (_OPERATIONS[type(node.op)], *sides)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return ("-", ("figure", Decimal(0)), _read(node.operand, text))
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mod):
        raise _refused(node, text, "is no product; write 95 % as 0.95")
    if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
        raise _refused(node, text, f"is not understood; write with {_KNOWN}")
    name, given = node.func.id, node.args
    if node.keywords or any(isinstance(each, ast.Starred) for each in given):
        raise _refused(node, text, "takes its figures in order, without names")
    if name in LIMITS and len(given) > 1:
        return (name, *(_read(each, text) for each in given))
    if name in _ROUNDINGS and len(given) == 2:
        step = _read(given[1], text)
        if step[0] != "figure" or step[1] <= 0:
            raise _refused(given[1], text, "is no step above zero, such as 1 or 0.1")
        return ("round", _ROUNDINGS[name], _read(given[0], text), step)
    raise _refused(node, text, f"is not understood; write with {_KNOWN}")


def _degree(node: Node, text: str) -> int:
    """1 where a node is a volume, 0 where it is a figure that may stand for either."""
    parts = [_degree(each, text) for each in node[1:] if isinstance(each, tuple)]
    if node[0] == "volume":
        return 1
    if node[0] == "*" and parts == [1, 1]:
        raise ValueError(f"rule {text!r} multiplies two volumes; multiply a volume by a figure")
    if node[0] == "/" and parts[1] == 1:
        raise ValueError(f"rule {text!r} divides by a volume; divide by a figure")
    if node[0] == "/" and _value(node[2], lambda _: None, _Plain) == 0:
        raise ValueError(f"rule {text!r} divides by zero; divide by a figure above it")
    return max(parts, default=0)


def _value(node: Node, volume_of: Callable[[str], Any], a: Any) -> Any:
    kind = node[0]
    if kind == "figure":
        return a.number(node[1])
    if kind == "volume":
        return volume_of(node[1])
    if kind == "round":
        step = node[3][1]
        return a.rounded(_value(node[2], volume_of, a), Rounding(step, node[1]))
    first, *rest = (_value(each, volume_of, a) for each in node[1:])
    for other in rest:
        first = _JOINED[kind](a, first, other)
    return first


_JOINED: dict[str, Callable[[Any, Any, Any], Any]] = {
    "+": lambda a, x, y: x + y,
    "-": lambda a, x, y: x - y,
    "*": lambda a, x, y: x * y,
    "/": lambda a, x, y: a.divide(x, y),
    "min": lambda a, x, y: a.minimum(x, y),
    "max": lambda a, x, y: a.maximum(x, y),
}


class _Plain:
    """Figures alone, to see whether a divisor is zero."""

    number = staticmethod(lambda value: value)
    minimum, maximum = staticmethod(min), staticmethod(max)
    divide = staticmethod(lambda x, y: x / y if y else Decimal(0))
    rounded = staticmethod(lambda value, rounding: value)


def nodes(tree: Node) -> Iterator[Node]:
    """Every node of a tree, from the top."""
    yield tree
    for each in tree[1:]:
        if isinstance(each, tuple):
            yield from nodes(each)


def _taken_off(tree: Node, off: bool) -> Iterator[str]:
    if tree[0] == "volume" and off:
        yield tree[1]
    for place, each in enumerate(tree[1:]):
        if isinstance(each, tuple):
            yield from _taken_off(each, off != (tree[0] == "-" and place == 1))


def replaced(tree: Node, old: Node, new: Node) -> Node:
    """A tree in which one node, that very object, is another."""
    if tree is old:
        return new
    return tuple(replaced(each, old, new) if isinstance(each, tuple) else each for each in tree)


def written(tree: Node) -> str:
    """A tree as text that reads back to it."""
    kind, parts = tree[0], tree[1:]
    if kind == "figure":
        return f"{parts[0]:f}"
    if kind == "volume":
        return parts[0] if parts[0].isidentifier() else repr(parts[0])
    if kind == "round":
        name = next(word for word, rule in _ROUNDINGS.items() if rule == parts[0])
        return f"{name}({written(parts[1])}, {written(parts[2])})"
    inside = [written(each) for each in parts]
    if kind in LIMITS:
        return f"{kind}({', '.join(inside)})"
    return f"({inside[0]} {kind} {inside[1]})"
