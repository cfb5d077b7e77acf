"""Mutants of a module: each is one small change of its syntax tree, named by place, kind and what it changes.

Kinds: comparison, arithmetic, constant, boolean, condition, removed (a call, raise or augmented assignment), swapped
(two arguments or elements), extreme (``min`` and ``max``, ``any`` and ``all``, ``left`` and ``right``). Annotations,
decorators, texts and the arguments of ``raise`` are left alone.
"""

from __future__ import annotations

import ast
import copy
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.BitXor: ast.BitAnd,
}
EXTREMES = {
    "min": "max",
    "minimum": "maximum",
    "fmin": "fmax",
    "any": "all",
    "first": "last",
    "floor": "ceil",
}
EXTREMES |= {other: one for one, other in EXTREMES.items()}
SIDES = {"left": "right", "right": "left", "backward": "forward", "forward": "backward"}


@dataclass(frozen=True)
class Mutant:
    """One change of one module."""

    path: str
    """Of the module, from the top of the repository, with slashes."""
    scope: str
    """Qualified name of the function or class, empty at the top of the module."""
    line: int
    end: int
    kind: str
    before: str
    after: str
    occurrence: int
    """Of the same change in the same function, from 1."""
    index: int
    """Of the change among all of the module."""
    names: tuple[str, ...]
    """What the line gives a name to where it runs at import: a constant, a function, a class."""
    at_import: bool
    """Whether the line runs when the module is imported, or once and its value is kept."""

    @property
    def key(self) -> str:
        """Name that does not depend on line numbers."""
        again = f" #{self.occurrence}" if self.occurrence > 1 else ""
        return f"{self.path}::{self.scope}::{self.kind}::{self.before} -> {self.after}{again}"


@dataclass(frozen=True)
class _Scope:
    """The function, class or assignment around a node."""

    name: str = ""
    names: tuple[str, ...] = ()
    at_import: bool = True

    def inside(self, node: ast.AST) -> _Scope:
        """Go into a node."""
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            is_class = isinstance(node, ast.ClassDef)
            kept = any("cache" in ast.unparse(one) for one in node.decorator_list)
            name = f"{self.name}.{node.name}" if self.name else node.name
            return _Scope(name, (*self.names, node.name), is_class or kept)
        if isinstance(node, ast.Assign | ast.AnnAssign) and self.at_import:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [part.id for target in targets for part in ast.walk(target) if isinstance(part, ast.Name)]
            return _Scope(self.name, (*self.names, *names), True)
        return self


@dataclass(frozen=True)
class _Site:
    """Where a change can be made: a node, and each change as (kind, the node in its place)."""

    node: ast.AST
    scope: _Scope
    changes: tuple[tuple[str, ast.AST | None], ...]


def mutants(path: str, source: str) -> list[Mutant]:
    """List the mutants of a module.

    Parameters
    ----------
    path : str
    source : str

    Returns
    -------
    list of Mutant
        In the order of the source; no two give the same text at one place.
    """
    out: list[Mutant] = []
    seen: Counter[tuple[str, ...]] = Counter()
    for site in _sites(ast.parse(source)):
        before, scope = ast.unparse(site.node), site.scope
        first, last = site.node.lineno, site.node.end_lineno or site.node.lineno  # type: ignore[attr-defined]
        for kind, changed in site.changes:
            after = "pass" if changed is None else ast.unparse(changed)
            seen[scope.name, kind, before, after] += 1
            number = seen[scope.name, kind, before, after]
            place = (path, scope.name, first, last if kind != "condition" else first)
            out.append(Mutant(*place, kind, before, after, number, len(out), scope.names, scope.at_import))
    return out


def mutated(source: str, index: int) -> ast.Module:
    """Make the syntax tree of a mutant.

    Parameters
    ----------
    source : str
    index : int
        Of the mutant among ``mutants``.

    Returns
    -------
    ast.Module
        With the line numbers of the source.
    """
    tree = ast.parse(source)
    number = 0
    for site in _sites(tree):
        if index < number + len(site.changes):
            changed = site.changes[index - number][1]
            new = ast.Pass() if changed is None else changed
            return ast.fix_missing_locations(_Replaced(site.node, ast.copy_location(new, site.node)).visit(tree))
        number += len(site.changes)
    msg = f"expected an index below {number}, found {index}"
    raise IndexError(msg)


class _Replaced(ast.NodeTransformer):
    def __init__(self, old: ast.AST, new: ast.AST) -> None:
        self.old, self.new = old, new

    def visit(self, node: ast.AST) -> ast.AST:
        return self.new if node is self.old else self.generic_visit(node)


def _sites(tree: ast.Module) -> Iterator[_Site]:
    yield from _below(tree, _Scope())


def _below(node: ast.AST, scope: _Scope) -> Iterator[_Site]:
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params", "type_comment", "ctx", "format_spec"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST) and not _passed_over(child):
                inside = scope.inside(child)
                changes = tuple(_changes(child))
                if changes:
                    yield _Site(child, inside, changes)
                if not isinstance(child, ast.Raise):
                    yield from _below(child, inside)


def _passed_over(node: ast.AST) -> bool:
    """Texts, imports, and names of types given another name."""
    if isinstance(node, ast.Import | ast.ImportFrom | ast.JoinedStr | ast.AnnAssign) and not getattr(node, "value", 0):
        return True
    if isinstance(node, ast.JoinedStr):
        return True
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        return True
    alias = isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript | ast.BinOp)
    return alias and all(
        isinstance(part, ast.Name) and part.id[:1].isupper() and not part.id.isupper() for part in node.targets
    )


def _with(node: ast.AST, **fields: object) -> ast.AST:
    new = copy.copy(node)
    for name, value in fields.items():
        setattr(new, name, value)
    return new


def _changes(node: ast.AST) -> Iterator[tuple[str, ast.AST | None]]:
    """Name every change of one node; None stands for a statement that is left out."""
    match node:
        case ast.Compare(ops=[op]):
            for other in COMPARISONS[type(op)]:
                yield "comparison", _with(node, ops=[other()])
        case ast.Compare(ops=ops):
            for i, op in enumerate(ops):
                yield "comparison", _with(node, ops=[*ops[:i], COMPARISONS[type(op)][0](), *ops[i + 1 :]])
        case ast.BinOp(op=op) if type(op) in ARITHMETIC and not _is_text(node) and not _is_path(node):
            yield "arithmetic", _with(node, op=ARITHMETIC[type(op)]())
        case ast.BoolOp(op=op):
            yield "boolean", _with(node, op=ast.Or() if isinstance(op, ast.And) else ast.And())
        case ast.UnaryOp(op=ast.Not() | ast.Invert() | ast.USub(), operand=operand):
            yield "boolean" if not isinstance(node.op, ast.USub) else "arithmetic", operand
        case ast.Constant(value=bool(value)):
            yield "constant", _with(node, value=not value)
        case ast.Constant(value=int(value)):
            yield "constant", _with(node, value=value + 1)
        case ast.Constant(value=float(value)):
            yield "constant", _with(node, value=1.25 * value if value else 1.0)
        case ast.Constant(value=str(value)) if value in SIDES:
            yield "extreme", _with(node, value=SIDES[value])
        case (
            ast.If(test=ast.Name() | ast.Attribute() | ast.Call() as test)
            | ast.IfExp(test=ast.Name() | ast.Attribute() | ast.Call() as test)
        ):
            yield "condition", _with(node, test=ast.UnaryOp(ast.Not(), test))
        case ast.Expr(value=ast.Call()) | ast.Raise() | ast.AugAssign():
            yield "removed", None
        case ast.Call(func=func, args=args):
            yield from _changes_of_call(node, func, args)
        case ast.List(elts=[first, second, *rest], ctx=ast.Load()):
            if ast.unparse(first) != ast.unparse(second):
                yield "swapped", _with(node, elts=[second, first, *rest])


def _changes_of_call(node: ast.Call, func: ast.expr, args: list[ast.expr]) -> Iterator[tuple[str, ast.AST | None]]:
    if isinstance(func, ast.Name) and func.id in EXTREMES:
        yield "extreme", _with(node, func=_with(func, id=EXTREMES[func.id]))
    if isinstance(func, ast.Attribute) and func.attr in EXTREMES:
        yield "extreme", _with(node, func=_with(func, attr=EXTREMES[func.attr]))
    plain = not any(isinstance(arg, ast.Starred | ast.Constant) for arg in args[:2])
    symmetric = isinstance(func, ast.Name | ast.Attribute) and ast.unparse(func).split(".")[-1] in (
        *EXTREMES,
        "isinstance",
    )
    if len(args) > 1 and plain and not symmetric and ast.unparse(args[0]) != ast.unparse(args[1]):
        yield "swapped", _with(node, args=[args[1], args[0], *args[2:]])


def _is_text(node: ast.BinOp) -> bool:
    """Say whether a sum is one of texts, whose mutants fail whatever a test says."""
    sides = (node.left, node.right)
    return any(isinstance(side, ast.JoinedStr) or _text_constant(side) for side in sides)


def _is_path(node: ast.BinOp) -> bool:
    """Say whether a quotient joins paths, whose mutants fail whatever a test says."""
    words = ("root", "path", "folder", "place", "target", "parent", "final", "PLACE", "LEDGER")
    return isinstance(node.op, ast.Div) and any(word in ast.unparse(node.left) for word in words)


def _text_constant(node: ast.expr) -> bool:
    return isinstance(node, ast.Constant) and isinstance(node.value, str)


def of_room(root: Path, room: str) -> list[Mutant]:
    """List the mutants of every module of a room, in the order of their paths."""
    out: list[Mutant] = []
    for path in sorted((root / "src" / "stillwell" / room).rglob("*.py")):
        out += mutants(path.relative_to(root).as_posix(), path.read_text(encoding="utf-8"))
    return out
