"""The house rules: what imports what, docstrings, data files, words of the problems, a quick start.

They hold for whatever is added later: nothing here names a module that must exist but the stages.
"""

from __future__ import annotations

import ast
import builtins
import fnmatch
import importlib
import inspect
import io
import re
import string
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pandas as pd
import pytest

from grader.data import load_toml, names
from grader.words import words

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "grader"
STAGES = ("read", "compute", "judge", "review", "write")
SHARED = {"columns", "decided", "problems", "data", "words", "frames", "figures", "natural", "page", "outdoor"}
MODULES = sorted(PACKAGE.rglob("*.py"))
LONGEST_MODULE = 700  # cut by idea; this only stops a module that holds several
TOP_LEVEL = {
    ".ci",
    ".editorconfig",
    ".git",
    ".gitignore",
    ".pre-commit-config.yaml",
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "demo",
    "grader",
    "pyproject.toml",
    "templates_xlsx",
    "tests",
}
# What the table of problems itself fills in (grader/report.py), and what only places a problem.
ALWAYS_FILLED = {"value", "field", "heading", "file"}
PLACING = {"file", "sheet", "cell", "value", "values", "tests", "field_name"}


def name_of(path: Path) -> str:
    """Dotted name of a module of the package."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def tree(path: Path) -> ast.Module:
    """The parsed module."""
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def imports(path: Path, nodes: Iterator[ast.AST] | None = None) -> set[str]:
    """Modules that a module imports, with dots; those used by a type checker only are left out."""
    found: set[str] = set()
    for node in nodes if nodes is not None else ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                up = node.level - 1 if path.name == "__init__.py" else node.level
                package = name_of(path).split(".")
                base = ".".join([*package[: len(package) - up], *([base] if base else [])])
            found |= {f"{base}.{alias.name}" if base == "grader" else base for alias in node.names}
    return found


def at_import(node: ast.AST) -> Iterator[ast.AST]:
    """Nodes that run when the module is imported: not the bodies of functions, nor of `if TYPE_CHECKING`."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.Lambda):
            continue
        if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
            continue
        yield child
        yield from at_import(child)


def module_id(path: Path) -> str:
    return str(path.relative_to(ROOT))


# -- what imports what -----------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", STAGES)
def test_a_stage_imports_only_shared_modules_and_its_own_folder(stage):
    files = [p for p in MODULES if PACKAGE / stage in p.parents]
    assert files
    wrong = []
    for path in files:
        for module in imports(path):
            first, *rest = module.split(".")
            if first == "grader" and (not rest or rest[0] not in SHARED | {stage}):
                wrong.append(f"{module_id(path)} imports {module}")
    assert not wrong


def test_shared_modules_import_no_stage():
    wrong = [
        f"{module_id(path)} imports {module}"
        for path in MODULES
        if name_of(path).removeprefix("grader.").split(".")[0] in SHARED
        for module in imports(path)
        if module.startswith("grader.") and module.split(".")[1] not in SHARED
    ]
    assert not wrong


def test_the_scan_of_imports_sees_every_form(tmp_path, monkeypatch):
    """The rules above rest on it: relative, plain, inside a function, of a name from the package itself."""
    package = tmp_path / "grader" / "judge"
    package.mkdir(parents=True)
    path = package / "x.py"
    path.write_text(
        "import grader.cli\nfrom grader import batch\nfrom ..write import blank\n"
        "from . import limit\ndef f():\n    from grader.read.log import Log\n",
        encoding="utf-8",
    )
    monkeypatch.setattr(sys.modules[__name__], "ROOT", tmp_path)
    assert imports(path) == {"grader.cli", "grader.batch", "grader.write", "grader.judge", "grader.read.log"}


def reached(start: str) -> dict[str, set[str]]:
    """Modules of the package that importing one loads -> what each of them imports at once."""
    by_name = {name_of(p): p for p in MODULES}
    todo, seen = [start], {}
    while todo:
        module = todo.pop()
        if module in seen or module not in by_name:
            continue
        path = by_name[module]
        seen[module] = imports(path, at_import(tree(path)))
        parents = {".".join(module.split(".")[:i]) for i in range(1, module.count(".") + 1)}
        todo.extend(seen[module] | parents)
    return seen


def test_the_reading_child_loads_neither_pandas_nor_numpy():
    heavy = {"pandas", "numpy", "scipy"}
    wrong = [
        f"{module} imports {m}"
        for module, found in reached("grader.read.child").items()
        for m in found
        if m.split(".")[0] in heavy
    ]
    assert not wrong
    assert loaded_by("grader.read.child").isdisjoint(heavy)


def loaded_by(module: str) -> set[str]:
    """Names of all modules loaded after importing one in a fresh interpreter."""
    code = f"import sys, {module}; print(' '.join(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("module", ["grader", "grader.cli"])
def test_help_stays_quick(module):
    if module != "grader" and not (PACKAGE / "cli.py").exists():
        pytest.skip("grader/cli.py is not written yet")
    heavy = {"pandas", "numpy", "scipy", "openpyxl", "xlsxwriter", "python_calamine"}
    assert loaded_by(module).isdisjoint(heavy)


def test_only_the_reading_stage_imports_the_spreadsheet_readers():
    readers = {"openpyxl", "python_calamine"}
    # These open what was read without harm before, or what the program itself wrote, to change or compare it.
    allowed = {PACKAGE / "write" / "marked.py", PACKAGE / "review" / "compare.py"}
    wrong = [
        f"{module_id(p)} imports {m}"
        for p in MODULES
        if PACKAGE / "read" not in p.parents and p not in allowed
        for m in imports(p)
        if m.split(".")[0] in readers
    ]
    assert not wrong


# -- modules and docstrings ------------------------------------------------------------------------------


@pytest.mark.parametrize("path", MODULES, ids=module_id)
def test_module_is_short_and_says_what_it_is(path):
    text = path.read_text(encoding="utf-8")
    assert text.count("\n") < LONGEST_MODULE
    assert ast.get_docstring(tree(path)) or not text.strip()


def test_no_error_is_caught_and_forgotten():
    """An `except` whose whole body is `pass` or `...`; nothing may be left for later either."""
    wrong = []
    for path in MODULES:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.ExceptHandler) and all(
                isinstance(s, ast.Pass) or (isinstance(s, ast.Expr) and isinstance(s.value, ast.Constant))
                for s in node.body
            ):
                wrong.append(f"{module_id(path)}:{node.lineno} catches and forgets")
        lines = path.read_text(encoding="utf-8").split("\n")
        wrong += [
            f"{module_id(path)}:{i} is left for later"
            for i, line in enumerate(lines, 1)
            if re.search(r"\b(TO[D]O|FIX[M]E|XX[X])\b", line)
        ]
    assert not wrong


def public(path: Path) -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef, ast.ClassDef | None]]:
    """Public functions, classes and their public methods of a module, with the class of a method."""
    for node in tree(path).body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_"):
            yield node.name, node, None
            if isinstance(node, ast.ClassDef):
                for inner in node.body:
                    if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_"):
                        yield f"{node.name}.{inner.name}", inner, node


def test_public_functions_and_classes_have_a_docstring():
    wrong = [
        f"{module_id(path)}: {name}"
        for path in MODULES
        for name, node, owner in public(path)
        if owner is None and not ast.get_docstring(node)
    ]
    assert not wrong


_LISTED = re.compile(r"^ {0,4}([a-z_][a-z0-9_]*(?:, [a-z_][a-z0-9_]*)*) *: ")


def listed(docstring: str) -> list[str]:
    """Names of parameters that a docstring lists: lines such as `path : what` or `low, high : what`.

    >>> listed("Text.\\n\\npath, rows : what.\\nReturns : str.\\n    more : indented.\\nas in : prose")
    ['path', 'rows', 'more']
    """
    body = docstring.split("\n", 1)[-1]
    return [
        name for line in body.split("\n") for match in [_LISTED.match(line)] if match for name in match[1].split(", ")
    ]


def signature_names(node: ast.FunctionDef | ast.ClassDef) -> set[str]:
    """Parameters of a function; fields, attributes set on self and parameters of a class."""
    if isinstance(node, ast.ClassDef):
        found = {
            ast.unparse(t)
            for s in node.body
            if isinstance(s, ast.AnnAssign | ast.Assign)
            for t in (s.targets if isinstance(s, ast.Assign) else [s.target])
        }
        found |= {n.attr for n in ast.walk(node) if isinstance(n, ast.Attribute) and isinstance(n.ctx, ast.Store)}
        for inner in node.body:
            if isinstance(inner, ast.FunctionDef) and inner.name == "__init__":
                found |= signature_names(inner)
        return found
    a = node.args
    extra = [x for x in (a.vararg, a.kwarg) if x]
    return {x.arg for x in (*a.posonlyargs, *a.args, *a.kwonlyargs, *extra)}


def test_docstrings_list_no_parameter_that_is_not_there():
    wrong = []
    for path in MODULES:
        for name, node, owner in public(path):
            known = signature_names(node) | (signature_names(owner) if owner else set())
            wrong += [
                f"{module_id(path)}: {name} has no {p}" for p in listed(ast.get_docstring(node) or "") if p not in known
            ]
    assert not wrong


def error_names() -> set[str]:
    """Exceptions of Python and of the package."""
    found = {n for n, v in vars(builtins).items() if isinstance(v, type) and issubclass(v, BaseException)}
    return found | {n.name for p in MODULES for n in ast.walk(tree(p)) if isinstance(n, ast.ClassDef)}


def test_errors_that_docstrings_name_exist():
    """The first word of a `Raises` part, and every word there that is built like the name of a class."""
    known = error_names()
    wrong = []
    for path in MODULES:
        for name, node, _ in public(path):
            docstring = ast.get_docstring(node) or ""
            for part in re.findall(r"^ *Raises *:? *(.*(?:\n {6,}\S.*)*)", docstring, re.M):
                raised = re.findall(r"\b[A-Z][a-z]+(?:[A-Z][a-zA-Z]+)+\b", part)
                first = re.match(r"[A-Z]\w+", part)
                wrong += [
                    f"{module_id(path)}: {name} raises {e}"
                    for e in {*raised, *([first[0]] if first else [])}
                    if e not in known
                ]
    assert not wrong


def test_docstrings_name_parameters_as_python_sees_them():
    """The scan of the source agrees with the imported module, so a decorator has not changed a signature."""
    for path in MODULES:
        if not {PACKAGE / "compute", PACKAGE / "judge"} & set(path.parents):
            continue
        module = importlib.import_module(name_of(path))
        for name, node, owner in public(path):
            if owner is None and isinstance(node, ast.FunctionDef):
                made = inspect.signature(getattr(module, name))
                assert set(made.parameters) == signature_names(node), name


# -- data ------------------------------------------------------------------------------------------------


def test_every_data_file_is_package_data():
    globs = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["package-data"][
        "grader"
    ]
    files = [
        p.relative_to(PACKAGE)
        for p in (PACKAGE / "data").rglob("*")
        if p.is_file() and p.suffix != ".py" and "__pycache__" not in p.parts
    ]
    assert files
    # A star stands for no slash there, so the depth must be the same too.
    missed = [str(f) for f in files if not any(f.match(g) and len(f.parts) == g.count("/") + 1 for g in globs)]
    assert missed == []


def test_every_toml_data_file_can_be_parsed():
    for path in sorted((PACKAGE / "data").rglob("*.toml")):
        assert load_toml(path.relative_to(PACKAGE / "data").as_posix()), path.name


def test_top_level_holds_only_what_belongs_there():
    ignored = [line.strip("/") for line in (ROOT / ".gitignore").read_text(encoding="utf-8").split()]
    extra = [
        p.name
        for p in ROOT.iterdir()
        if p.name not in TOP_LEVEL and not any(fnmatch.fnmatch(p.name, pattern) for pattern in ignored)
    ]
    assert extra == []


# -- words of the problems -------------------------------------------------------------------------------


def literal_calls() -> Iterator[tuple[str, str, set[str] | None]]:
    """(place, code, names of parameters or None where they cannot be told) of each problem added by its code.

    Forms: problems.add("code", ...), problems.add_tests("code", ...), cells.say("code", ...) of the reading
    stage, and code="..." of a call.
    """
    for path in MODULES:
        for node in ast.walk(tree(path)):
            if not isinstance(node, ast.Call):
                continue
            place = f"{module_id(path)}:{node.lineno}"
            if isinstance(node.func, ast.Attribute) and node.args:
                owner = node.func.value
                of_problems = ast.unparse(owner).split(".")[-1] == "problems"
                first = node.args[0]
                says = node.func.attr == "say" and PACKAGE / "read" in path.parents
                if says or (of_problems and node.func.attr in ("add", "add_tests")):
                    given = {k.arg for k in node.keywords if k.arg} - PLACING
                    known = None if any(k.arg is None for k in node.keywords) else given
                    yield from ((place, c, known) for c in codes_of(first))
            for keyword in node.keywords:
                if keyword.arg == "code" and PACKAGE / "judge" not in path.parents:
                    yield from ((place, c, None) for c in codes_of(keyword.value) if c)


def codes_of(node: ast.AST) -> list[str]:
    """The codes that an argument can be: a text, or either side of a choice between texts."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return [node.value]
    if isinstance(node, ast.IfExp):
        return codes_of(node.body) + codes_of(node.orelse)
    return []


PROBLEM_WORDS = words()["problem"]


def test_every_problem_that_the_code_adds_has_words():
    calls = list(literal_calls())
    assert len(calls) > 30  # the scan sees them at all
    assert [f"{place}: {code}" for place, code, _ in calls if code not in PROBLEM_WORDS] == []


@pytest.mark.parametrize("code", sorted(PROBLEM_WORDS))
def test_words_of_a_problem_are_whole(code):
    """Severity of the three kinds; a todo that pandas cannot read back as missing."""
    entry = PROBLEM_WORDS[code]
    assert entry["severity"] in ("refused", "query", "note")
    assert entry["text"].strip() and entry["todo"].strip()
    # pandas itself is the outside check: what it reads from a cell of this text.
    todo = entry["todo"].replace('"', "")
    assert pd.read_csv(io.StringIO(f'todo\n"{todo}"\n'))["todo"].notna().all()


def fields_of(text: str) -> set[str]:
    """Names in braces of a text, as str.format sees them."""
    return {re.split(r"[.\[]", name)[0] for _, name, _, _ in string.Formatter().parse(text) if name}


def test_words_of_a_problem_use_only_what_the_code_gives():
    """A name in braces that no call gives would break the table of problems at the end of a run."""
    given: dict[str, list[tuple[str, set[str] | None]]] = {}
    for place, code, params in literal_calls():
        given.setdefault(code, []).append((place, params))
    wrong = []
    for code, entry in PROBLEM_WORDS.items():
        wanted = fields_of(entry["text"]) | fields_of(entry["todo"])
        for place, params in given.get(code, []):
            if params is not None and (missing := wanted - params - ALWAYS_FILLED):
                wrong.append(f"{place}: {code} lacks {sorted(missing)}")
    assert not wrong


def strings_used() -> set[str]:
    """Every text constant of the code, and every text of the data files but the words."""
    found = {
        n.value for p in MODULES for n in ast.walk(tree(p)) if isinstance(n, ast.Constant) and isinstance(n.value, str)
    }

    def within(value: object) -> Iterator[str]:
        if isinstance(value, str):
            yield value
        elif isinstance(value, dict):
            for key, inner in value.items():
                yield key
                yield from within(inner)
        elif isinstance(value, list):
            for inner in value:
                yield from within(inner)

    for name in names(""):
        found |= set(within(dict(load_toml(name))))
    return found


def code_patterns() -> list[re.Pattern[str]]:
    """Codes made from parts, such as f"word_{meaning}", as patterns, where some part is fixed."""
    found = []
    for path in MODULES:
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.JoinedStr):
                parts = [p.value if isinstance(p, ast.Constant) else None for p in node.values]
                fixed = "".join(p for p in parts if p)
                if re.fullmatch(r"[a-z0-9_]{4,}", fixed):
                    found.append(re.compile("".join(re.escape(p) if p else "[a-z0-9_]+" for p in parts)))
    return found


def test_no_words_of_a_problem_are_left_unused():
    used, patterns = strings_used(), code_patterns()
    unused = [code for code in PROBLEM_WORDS if code not in used and not any(p.fullmatch(code) for p in patterns)]
    assert unused == []


def test_no_two_files_of_words_define_the_same_problem():
    """The later file would silently win."""
    where: dict[str, list[str]] = {}
    for name in names("words"):
        if name == "en.toml" or name.startswith("en-"):
            for code in load_toml(f"words/{name}").get("problem", {}):
                where.setdefault(code, []).append(name)
    assert {code: files for code, files in where.items() if len(files) > 1} == {}


# -- the tests themselves --------------------------------------------------------------------------------


CLOCKS = ("time.time", "time.perf_counter", "perf_counter", "timeit.timeit")


def test_no_test_is_timed_or_cannot_fail():
    """Every test has an assertion, `raises`, `warns` or calls a helper that checks; none reads a clock."""
    wrong = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        lines = path.read_text(encoding="utf-8").split("\n")
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Assert) and isinstance(node.test, ast.Constant):
                wrong.append(f"{module_id(path)}:{node.lineno} asserts a constant")
            called = node.func if isinstance(node, ast.Call) else None
            name = getattr(called, "attr", getattr(called, "id", ""))
            if name in ("time", "perf_counter", "timeit") and ast.unparse(called) in CLOCKS:
                wrong.append(f"{module_id(path)}:{node.lineno} reads the clock")
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                inside = "\n".join(lines[node.lineno - 1 : node.end_lineno])
                if not re.search(r"\bassert\b|raises\(|warns\(|assert_\w+\(|check\w*\(|expect\w*\(", inside):
                    wrong.append(f"{module_id(path)}:{node.lineno} {node.name} checks nothing")
    assert not wrong


def test_project_files_name_nothing_outside_the_project():
    """No path of the machine it was written on, in code, data or documents."""
    outside = re.compile(r"/wor[k]/|[.][.]/share[d]|[.][.]/[.]librar[y]|(?<![\w.])/tm[p]/")
    wrong = []
    for path in sorted(ROOT.rglob("*")):
        inside = path.relative_to(ROOT).parts
        if inside[0] not in TOP_LEVEL - {".git"} or path.resolve() == Path(__file__).resolve():
            continue
        written = path.suffix in (".py", ".toml", ".md", ".csv") or path.parent.name == ".ci"
        if written and path.is_file() and outside.search(path.read_text(encoding="utf-8")):
            wrong.append(module_id(path))
    assert not wrong


def test_the_folders_of_the_tests_are_those_of_the_package():
    """Same tree, same names; bench, demo and the workbooks of tests stand beside them."""
    folders = {p.name for p in (ROOT / "tests").iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert folders <= {*STAGES, "register", "bench", "demo", "fuzz", "workbooks", "expected", "data"}
    assert set(STAGES) <= folders
