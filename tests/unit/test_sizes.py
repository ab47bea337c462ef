"""The house's sizes, as a ratchet: files, functions, arguments and classes stay small enough to read.

The limits are those of the developers' style page: a file of at most 600 lines (median 250), a function of at most 80 code
lines (95 of 100 within 40; kernels within 60), at most 8 arguments, at most 20 methods in a class.
"""

import ast
import io
import statistics
import tokenize
import tomllib
from pathlib import Path

import newel

ROOT = Path(newel.__file__).parent

# What stands over the limits today. It may shrink, and nothing may be added without a reason beside it.
LONG_FILES: dict[str, int] = {}
MANY_ARGUMENTS = {
    "geometry/drop_kernels.py": 14,  # inner kernels, where plain numbers are passed for speed
    "geometry/drop_lane_kernels.py": 12,  # the same
    "planning/around.py": 12,
    "proof/prove.py": 11,  # the door takes everything that a proof rests on
}
SOURCES = sorted(ROOT.rglob("*.py"))
_NOT_CODE = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}


def code_lines(source: str) -> set[int]:
    """Return the numbers of the lines that hold code: no comment, no blank."""
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type not in _NOT_CODE:
            lines.update(range(token.start[0], token.end[0] + 1))
    return lines


def functions(path: Path):
    """Yield (name, code lines without docstring, arguments) of each function in a file."""
    source = path.read_text(encoding="utf-8")
    held = code_lines(source)
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef) and not _is_command(node):
            doc = set()
            if ast.get_docstring(node) is not None:
                doc = set(range(node.body[0].lineno, node.body[0].end_lineno + 1))
            count = len({line for line in held if node.lineno <= line <= node.end_lineno} - doc)
            given = node.args
            arguments = [a.arg for a in [*given.posonlyargs, *given.args, *given.kwonlyargs] if a.arg not in ("self", "cls")]
            yield f"{path.relative_to(ROOT)}: {node.name}", count, len(arguments)


def _is_command(node: ast.FunctionDef) -> bool:
    """Tell a command of the command line: click hands it every option by itself."""
    return any(isinstance(mark, ast.Call) and ast.unparse(mark.func).endswith(".command") for mark in node.decorator_list)


def at_most_share(values: list[int], limit: int) -> float:
    return sum(1 for value in values if value <= limit) / max(len(values), 1)


def test_counting_is_right():
    source = 'def f(a, b):\n    """Doc."""\n\n    # why\n    return (\n        a\n    )\n'
    assert code_lines(source) == {1, 2, 5, 6, 7}


def test_files_are_short():
    lengths = {path.relative_to(ROOT).as_posix(): len(path.read_text(encoding="utf-8").splitlines()) for path in SOURCES}
    assert {name: n for name, n in lengths.items() if n > LONG_FILES.get(name, 600)} == {}
    assert {name for name in LONG_FILES if lengths[name] <= 600} == set(), "short by now: take it off LONG_FILES"
    assert statistics.median([n for n in lengths.values() if n > 5]) <= 250


def test_functions_are_short():
    counted = [item for path in SOURCES for item in functions(path)]
    assert {name: n for name, n, _ in counted if n > 80} == {}
    doors = [n for name, n, _ in counted if "_kernels.py" not in name]
    kernels = [n for name, n, _ in counted if "_kernels.py" in name]
    assert at_most_share(doors, 40) >= 0.95
    assert at_most_share(kernels, 60) >= 0.95


def test_functions_take_few_arguments():
    most: dict[str, int] = {}
    for path in SOURCES:
        for _, _, arguments in functions(path):
            name = path.relative_to(ROOT).as_posix()
            most[name] = max(most.get(name, 0), arguments)
    assert {name: n for name, n in most.items() if n > MANY_ARGUMENTS.get(name, 8)} == {}
    assert {name for name in MANY_ARGUMENTS if most.get(name, 0) <= 8} == set(), "few by now: take it off MANY_ARGUMENTS"


def test_classes_have_few_methods():
    crowded = {}
    for path in SOURCES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef):
                methods = sum(isinstance(item, (ast.FunctionDef, ast.AsyncFunctionDef)) for item in node.body)
                if methods > 20:
                    crowded[f"{path.name}: {node.name}"] = methods
    assert crowded == {}


def test_every_public_name_says_what_it_is():
    silent = []
    for path in SOURCES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            named = isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_")
            if named and not path.name.endswith("_kernels.py") and ast.get_docstring(node) is None:
                silent.append(f"{path.relative_to(ROOT)}: {node.name}")
    assert silent == []


def test_the_type_checker_knows_every_kernel_file():
    settings = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text(encoding="utf-8"))
    listed = set(settings["tool"]["mypy"]["overrides"][0]["module"])
    found = {".".join(["newel", *path.relative_to(ROOT).with_suffix("").parts]) for path in ROOT.rglob("*_kernels.py")}
    assert found == listed, "list the kernel files in pyproject.toml, [[tool.mypy.overrides]]"
