"""Rules of the house that no linter has: see DEVELOPERS.md."""

import ast
from pathlib import Path

HOUSE = Path(__file__).resolve().parents[1] / "wallguard"
LINES, PARAMETERS = 60, 6


def functions():
    for path in sorted(HOUSE.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                yield f"{path.relative_to(HOUSE)}: {node.name}", node


def test_a_function_is_seen_at_a_glance():
    assert [name for name, one in functions() if one.end_lineno - one.lineno >= LINES] == []


def test_a_function_takes_few_parameters():
    taken = {}
    for name, one in functions():
        every = [*one.args.posonlyargs, *one.args.args, *one.args.kwonlyargs]
        taken[name] = [each.arg for each in every if each.arg not in ("self", "cls")]
    assert {name: every for name, every in taken.items() if len(every) > PARAMETERS} == {}
