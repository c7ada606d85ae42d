"""Small changes of a program's text, one at a time, as a slip of its author would make them; pure.

The kinds are those of the usual mutation testers: a comparison, an arithmetic sign, `and` and `or`, a
negation, a number, True and False, a statement left out. Texts, annotations, decorators, what is logged and
what is raised stay as they are.
"""

from __future__ import annotations

import ast
import copy
from collections.abc import Callable, Iterator
from dataclasses import dataclass

COMPARISONS: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SIGNS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip
LOGGERS = ("log", "logging")

Edit = Callable[[ast.AST], ast.AST]


@dataclass(frozen=True)
class Spot:
    """A place that can be changed: its lines, the node's number in `ast.walk`, and which change of it."""

    first_line: int
    last_line: int
    node: int
    way: int


@dataclass(frozen=True)
class Change:
    """What stood there, what stands there now, in which class and function, and the whole module with it."""

    was: str
    now: str
    within: str
    text: str


def spots(source: str) -> list[Spot]:
    """Every place of a module that can be changed, as often as there are ways to."""
    tree = ast.parse(source)
    passed_over = {id(each) for each in _passed_over(tree)}
    found = []
    for number, node in enumerate(ast.walk(tree)):
        if isinstance(node, ast.expr | ast.stmt) and id(node) not in passed_over:
            told = node.test if isinstance(node, ast.If | ast.While) else node
            lines = told.lineno, told.end_lineno or told.lineno
            found += [Spot(*lines, number, way) for way in range(len(_edits(node)))]
    return found


def changed(source: str, spot: Spot) -> Change:
    """A module with one change."""
    tree = ast.parse(source)
    nodes = list(ast.walk(tree))
    node = nodes[spot.node]
    new = _edits(node)[spot.way](copy.deepcopy(node))
    for parent in nodes:
        for name, value in ast.iter_fields(parent):
            if value is node:
                setattr(parent, name, new)
            elif isinstance(value, list):
                value[:] = [new if each is node else each for each in value]
    was, now = (ast.unparse(each).partition("\n")[0] for each in (node, ast.fix_missing_locations(new)))
    return Change(was, now, _within(tree, spot.first_line), ast.unparse(tree))


def _within(tree: ast.Module, line: int) -> str:
    """The names of what a line stands in, the outermost first."""
    around = [
        node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ClassDef | ast.FunctionDef) and node.lineno <= line <= (node.end_lineno or 0)
    ]
    return ".".join(around) or "the module"


def _passed_over(tree: ast.Module) -> Iterator[ast.AST]:
    """Annotations, decorators, texts, and what is only told."""
    for node in ast.walk(tree):
        parts: list[ast.AST | None] = []
        if isinstance(node, ast.FunctionDef):
            parts = [node.returns, *node.decorator_list]
        elif isinstance(node, ast.ClassDef):
            parts = [*node.decorator_list]
        elif isinstance(node, ast.arg | ast.AnnAssign):
            parts = [node.annotation]
        elif isinstance(node, ast.JoinedStr | ast.Raise) or _is_told(node):
            parts = [node]
        for part in parts:
            if part is not None:
                yield from ast.walk(part)


def _is_told(node: ast.AST) -> bool:
    """Whether this is a docstring or a line for the log."""
    if not isinstance(node, ast.Expr):
        return False
    called = node.value.func if isinstance(node.value, ast.Call) else None
    of = called.value if isinstance(called, ast.Attribute) else None
    return isinstance(node.value, ast.Constant) or (isinstance(of, ast.Name) and of.id in LOGGERS)


def _edits(node: ast.AST) -> list[Edit]:
    """What can be done to a node; each takes a copy of it."""
    match node:
        case ast.Compare(ops=ops):
            return [_swap_comparison(at) for at, op in enumerate(ops) if type(op) in COMPARISONS]
        case ast.BinOp(op=op) if type(op) in SIGNS:
            return [_swap_sign]
        case ast.AugAssign(op=op):
            return [_swap_sign, _leave_out] if type(op) in SIGNS else [_leave_out]
        case ast.Expr(value=ast.Call()) | ast.Assign(targets=[ast.Attribute() | ast.Subscript()]):
            return [_leave_out]
        case ast.BoolOp():
            return [_swap_and_or]
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            return [_without_sign]
        case ast.If(test=ast.Name() | ast.Attribute() | ast.Call()):
            return [_negate]
        case ast.Constant(value=bool(value)):
            return [lambda _: ast.Constant(not value)]
        case ast.Constant(value=int(number)):
            return [lambda _: ast.Constant(_larger(number))]
        case ast.Constant(value=float(share)):
            return [lambda _: ast.Constant(1.5 * share or 1.0)]
        case ast.Break():
            return [lambda _: ast.Continue()]
        case ast.Continue():
            return [lambda _: ast.Break()]
    return []


def _larger(number: int) -> int:
    """One more; from ten on half as much again, since 301 for 300 is the same program to everybody."""
    return number + 1 if abs(number) < 10 else number * 3 // 2


def _swap_comparison(at: int) -> Edit:
    def swap(node: ast.AST) -> ast.AST:
        assert isinstance(node, ast.Compare)
        node.ops[at] = COMPARISONS[type(node.ops[at])]()
        return node

    return swap


def _swap_sign(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.BinOp | ast.AugAssign)
    node.op = SIGNS[type(node.op)]()
    return node


def _without_sign(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.UnaryOp)
    return node.operand


def _swap_and_or(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.BoolOp)
    node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    return node


def _negate(node: ast.AST) -> ast.AST:
    assert isinstance(node, ast.If)
    node.test = ast.UnaryOp(ast.Not(), node.test)
    return node


def _leave_out(_: ast.AST) -> ast.AST:
    return ast.Pass()
