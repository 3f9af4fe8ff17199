"""All mutants of a module: each with one operator, comparison, constant, bound or stated uncertainty changed."""

import ast
import copy
from collections.abc import Iterator
from dataclasses import dataclass, replace

_COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE), ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,), ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}  # fmt: skip
_COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult, ast.Mod: ast.Mult,
    ast.FloorDiv: ast.Mult, ast.BitOr: ast.BitAnd, ast.BitAnd: ast.BitOr, ast.LShift: ast.RShift,
}  # fmt: skip
_CALLED = {"min": "max", "max": "min", "any": "all", "all": "any", "ceil": "floor", "floor": "ceil"}
_DROPPED = {"abs"}  # f(x) -> x
_U_ARGUMENT = {"known": 2}  # function -> where its standard uncertainty is


@dataclass(frozen=True, slots=True)
class Mutant:
    """where: function, or "" at module level. lines: those that a test must run to see it."""

    where: str
    was: str
    now: str
    lines: range
    tree: ast.Module
    nth: int = 1  # of those that are otherwise named alike

    @property
    def name(self) -> str:
        nth = f" #{self.nth}" if self.nth > 1 else ""
        return f"{self.where or 'module'}: `{self.was}` -> `{self.now}`{nth}"


def mutants(source: str) -> list[Mutant]:
    """In the order of the source; two with the same name are numbered."""
    tree = ast.parse(source)
    found: list[Mutant] = []
    for path, node, where in _nodes(tree):
        for replacement in _replacements(node):
            changed = copy.deepcopy(tree)
            ast.fix_missing_locations(_replace(changed, path, replacement))
            lines = range(getattr(node, "lineno", 1), (getattr(node, "end_lineno", 1) or 1) + 1)
            found.append(Mutant(where, ast.unparse(node), ast.unparse(replacement), lines, changed))
    seen: dict[str, int] = {}
    for i, mutant in enumerate(found):
        seen[mutant.name] = nth = seen.get(mutant.name, 0) + 1
        found[i] = replace(mutant, nth=nth)
    return found


Path = tuple[tuple[str, int | None], ...]  # field, and index in it, from the root down


def _nodes(tree: ast.Module) -> Iterator[tuple[Path, ast.AST, str]]:
    """Every node that is run, with the way to it and the function it is in. Not types, decorators or texts."""

    def walk(node: ast.AST, path: Path, where: str) -> Iterator[tuple[Path, ast.AST, str]]:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            where = f"{where}.{node.name}" if where else node.name
        if path:
            yield path, node, where
        for field, value in ast.iter_fields(node):
            if field in ("annotation", "returns", "decorator_list", "type_params"):
                continue
            if isinstance(value, list):
                for i, child in enumerate(value):
                    if isinstance(child, ast.AST):
                        yield from walk(child, (*path, (field, i)), where)
            elif isinstance(value, ast.AST):
                yield from walk(value, (*path, (field, None)), where)

    return walk(tree, (), "")


def _replace(tree: ast.Module, path: Path, replacement: ast.AST) -> ast.Module:
    node: ast.AST = tree
    for field, index in path[:-1]:
        child = getattr(node, field)
        node = child if index is None else child[index]
    field, index = path[-1]
    if index is None:
        setattr(node, field, replacement)
    else:
        getattr(node, field)[index] = replacement
    return tree


def _replacements(node: ast.AST) -> Iterator[ast.AST]:
    match node:
        case ast.Compare():
            for i, op in enumerate(node.ops):
                for other in _COMPARED[type(op)]:
                    ops = [*node.ops[:i], other(), *node.ops[i + 1 :]]
                    yield ast.Compare(node.left, ops, node.comparators)
        case ast.BinOp() if type(node.op) in _COMPUTED:
            yield ast.BinOp(node.left, _COMPUTED[type(node.op)](), node.right)
        case ast.AugAssign() if type(node.op) in _COMPUTED:
            yield ast.AugAssign(node.target, _COMPUTED[type(node.op)](), node.value)
        case ast.BoolOp():
            yield ast.BoolOp(ast.Or() if isinstance(node.op, ast.And) else ast.And(), node.values)
            if isinstance(node.op, ast.Or) and len(node.values) == 2:
                yield node.values[0]
        case ast.UnaryOp(op=ast.Not() | ast.USub()):
            yield node.operand
        case ast.Constant(value=bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(value=int() as value):
            yield ast.Constant(value + 1)
        case ast.Constant(value=float() as value):
            yield ast.Constant(value * 1.1 if value else 1.0)
        case ast.Call(func=ast.Name(id=name) | ast.Attribute(attr=name)):
            yield from _calls(node, name)
        case ast.Expr(value=ast.Call()):
            yield ast.Pass()
        case ast.Continue() | ast.Break():
            yield ast.Pass()


def _calls(node: ast.Call, name: str) -> Iterator[ast.AST]:
    if name in _CALLED and len(node.args) + len(node.keywords) > 0:
        func: ast.expr = ast.Name(_CALLED[name], ast.Load())
        if isinstance(node.func, ast.Attribute):
            func = ast.Attribute(node.func.value, _CALLED[name], ast.Load())
        yield ast.Call(func, node.args, node.keywords)
    elif name in _DROPPED:
        yield node.args[0]
    elif name in _U_ARGUMENT and len(node.args) > _U_ARGUMENT[name]:
        args = list(node.args)
        args[_U_ARGUMENT[name]] = ast.Constant(None)
        yield ast.Call(node.func, args, node.keywords)
