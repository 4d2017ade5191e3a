"""Faults to plant in a Python source: one small change each, in what the program does and never in its texts."""

import ast
import copy
import difflib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import CodeType
from typing import TypeVar

Node = TypeVar("Node", bound=ast.AST)

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
ARITHMETIC: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.LShift: ast.RShift,
    ast.RShift: ast.LShift,
}
CALLS = {"min": "max", "max": "min", "any": "all", "all": "any"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One planted fault: where it is, what changed, and the compiled module that has it."""

    line: int
    before: str
    after: str
    code: CodeType

    @property
    def diff(self) -> str:
        """The changed lines of the statement, as a diff without its header."""
        lines = difflib.unified_diff(self.before.splitlines(), self.after.splitlines(), n=0, lineterm="")
        return "\n".join(line for line in lines if not line.startswith(("---", "+++", "@@")))


def _changed(node: Node, change: Callable[[Node], object]) -> Node:
    other = copy.deepcopy(node)
    change(other)
    return other


def _compare(node: ast.Compare) -> Iterator[ast.expr]:
    for index, operator in enumerate(node.ops):
        for other in COMPARISONS[type(operator)]:
            yield ast.Compare(
                node.left, [*node.ops[:index], other(), *node.ops[index + 1 :]], node.comparators
            )


def _constant(node: ast.Constant) -> Iterator[ast.expr]:
    value = node.value
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int | float):
        yield from (ast.Constant(value + 1), ast.Constant(value - 1))


def _unary(node: ast.UnaryOp) -> Iterator[ast.expr]:
    if isinstance(node.op, ast.Not | ast.USub):
        yield node.operand


def _bool_op(node: ast.BoolOp) -> Iterator[ast.expr]:
    yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
    for index in range(len(node.values)):
        rest = node.values[:index] + node.values[index + 1 :]
        yield rest[0] if len(rest) == 1 else ast.BoolOp(node.op, rest)


def _bin_op(node: ast.BinOp) -> Iterator[ast.expr]:
    if type(node.op) in ARITHMETIC:
        yield ast.BinOp(node.left, ARITHMETIC[type(node.op)](), node.right)


def _call(node: ast.Call) -> Iterator[ast.expr]:
    if isinstance(node.func, ast.Name) and node.func.id in CALLS:
        yield ast.Call(ast.Name(CALLS[node.func.id], ast.Load()), node.args, node.keywords)


def _dict(node: ast.Dict) -> Iterator[ast.expr]:
    for index in range(len(node.keys)):
        yield ast.Dict(
            node.keys[:index] + node.keys[index + 1 :], node.values[:index] + node.values[index + 1 :]
        )


def _set(node: ast.Set) -> Iterator[ast.expr]:
    if len(node.elts) > 1:
        yield from (ast.Set(node.elts[:index] + node.elts[index + 1 :]) for index in range(len(node.elts)))


def _aug_assign(node: ast.AugAssign) -> Iterator[ast.stmt]:
    if type(node.op) in ARITHMETIC:
        yield ast.AugAssign(node.target, ARITHMETIC[type(node.op)](), node.value)


def _return(node: ast.Return) -> Iterator[ast.stmt]:
    # a constant is not returned as None: True and False are flipped elsewhere, None is None already
    if node.value is not None and not isinstance(node.value, ast.Constant):
        yield ast.Return(ast.Constant(None))


def _test(node: ast.If | ast.While | ast.IfExp | ast.Assert) -> Iterator[ast.AST]:
    # comparisons, 'and', 'or' and 'not' have mutants of their own
    if not isinstance(node.test, ast.Compare | ast.BoolOp | ast.UnaryOp | ast.Constant):
        yield _changed(node, lambda other: setattr(other, "test", ast.UnaryOp(ast.Not(), other.test)))


def _comprehension(node: ast.comprehension) -> Iterator[ast.AST]:
    for index in range(len(node.ifs)):
        yield _changed(node, lambda other, index=index: other.ifs.pop(index))  # type: ignore[misc]


def _with(node: ast.With | ast.AsyncWith) -> Iterator[ast.stmt]:
    # without its lock or transaction; where the block needs what the context gives it, it cannot run without
    if all(item.optional_vars is None for item in node.items):
        yield ast.If(ast.Constant(True), node.body, [])


def _try(node: ast.Try) -> Iterator[ast.AST]:
    if len(node.handlers) + bool(node.finalbody) > 1:
        for index in range(len(node.handlers)):
            yield _changed(node, lambda other, index=index: other.handlers.pop(index))  # type: ignore[misc]
    if node.handlers and node.finalbody:
        yield _changed(node, lambda other: other.finalbody.clear())


def _drop(_node: ast.AST) -> Iterator[ast.stmt]:
    yield ast.Pass()


def _expression(node: ast.Expr) -> Iterator[ast.stmt]:
    if not isinstance(node.value, ast.Constant):  # a docstring, or the '...' of a Protocol
        yield ast.Pass()


def _nothing(_node: ast.AST) -> Iterator[ast.AST]:
    yield from ()


MUTATIONS: dict[type[ast.AST], Callable[..., Iterator[ast.AST]]] = {
    ast.Compare: _compare,
    ast.Constant: _constant,
    ast.UnaryOp: _unary,
    ast.BoolOp: _bool_op,
    ast.BinOp: _bin_op,
    ast.Call: _call,
    ast.Dict: _dict,
    ast.Set: _set,
    ast.AugAssign: _aug_assign,
    ast.Return: _return,
    ast.If: _test,
    ast.While: _test,
    ast.IfExp: _test,
    ast.Assert: _test,
    ast.comprehension: _comprehension,
    ast.With: _with,
    ast.AsyncWith: _with,
    ast.Try: _try,
    ast.Raise: _drop,
    ast.Expr: _expression,
    ast.Break: lambda _node: iter([ast.Continue()]),
    ast.Continue: lambda _node: iter([ast.Break()]),
}


def _left_alone(field: str, child: ast.AST) -> bool:
    """What is no behaviour: annotations, decorators, texts for people, `strict=` on pairs that were checked before."""
    if field in ("annotation", "returns", "decorator_list", "type_params"):
        return True
    match child:
        case ast.JoinedStr() | ast.keyword(arg="strict") | ast.If(test=ast.Name(id="TYPE_CHECKING")):
            return True
        case _:
            return False


def _sites(
    parent: ast.AST, statement: ast.stmt | None
) -> Iterator[tuple[ast.AST, str, int | None, ast.stmt]]:
    """Every place of the tree that may be changed: parent, field, index in the field, the statement it stands in."""
    for field, value in ast.iter_fields(parent):
        children = value if isinstance(value, list) else [value]
        for index, child in enumerate(children):
            if not isinstance(child, ast.AST) or _left_alone(field, child):
                continue
            within = child if isinstance(child, ast.stmt) else statement
            if within is not None:
                yield parent, field, index if isinstance(value, list) else None, within
            yield from _sites(child, within)


def _put(parent: ast.AST, field: str, index: int | None, child: ast.AST) -> None:
    if index is None:
        setattr(parent, field, child)
    else:
        getattr(parent, field)[index] = child


def mutants(source: str, filename: str) -> Iterator[Mutant]:
    """Yield every mutant of the module, in the order of its source.

    The tree is changed in place, compiled and put back, so the mutants must be taken one after the other.
    """
    tree = ast.parse(source, filename)
    for parent, field, index, statement in list(_sites(tree, None)):
        child = getattr(parent, field) if index is None else getattr(parent, field)[index]
        before = ast.unparse(statement)
        for other in MUTATIONS.get(type(child), _nothing)(child):
            _put(parent, field, index, ast.copy_location(other, child))
            try:
                after = ast.unparse(other if statement is child else statement)
                code = compile(ast.fix_missing_locations(tree), filename, "exec", dont_inherit=True)
            finally:
                _put(parent, field, index, child)
            yield Mutant(getattr(child, "lineno", statement.lineno), before, after, code)
