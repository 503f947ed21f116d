"""The house rules of the code: layers, empty package roots, pure calculations, documented libraries."""

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PARTS = ("clinic", "screening", "therapy")
# Modules that calculate: they import neither Django nor Celery, so that anyone can check a figure without either.
PURE = sorted(
    path
    for part in PARTS
    for path in (ROOT / part).rglob("*.py")
    if path.name
    in {
        "rules.py", "table.py", "calculation.py", "calendar.py", "calculate.py", "windows.py", "matching.py",
        "measures.py", "charts.py", "payload.py", "doses.py", "techniques.py", "kinds.py", "figure_inputs.py",
        "risk.py", "hazards.py",
        "problem.py", "solve.py", "greedy.py", "checking.py", "measuring.py", "remedies.py", "example.py",
        "news2.py", "forced.py", "questions.py", "comparison.py", "replayed.py", "versions.py",
    }
)  # fmt: skip


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts)


def test_the_package_roots_are_empty_so_that_pure_modules_import_without_django() -> None:
    assert {part: (ROOT / part / "__init__.py").read_text() for part in PARTS} == dict.fromkeys(PARTS, "")


def test_pure_modules_import_neither_django_nor_celery() -> None:
    assert len(PURE) >= 6
    block = "import sys; sys.modules.update(django=None, celery=None, rest_framework=None, weasyprint=None)"
    imports = "\n".join(f"import {module_name(path)}" for path in PURE)
    done = subprocess.run(
        [sys.executable, "-c", f"{block}\n{imports}"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_pure_modules_ask_no_clock() -> None:
    for path in PURE:
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Attribute) and node.attr in {"now", "today", "utcnow"}:
                assert not isinstance(node.value, ast.Name) or node.value.id not in {
                    "datetime",
                    "date",
                    "timezone",
                }, f"{module_name(path)}:{node.lineno} asks the clock; the time is an argument"


def test_only_services_and_records_write() -> None:
    """Views, forms, selectors and tasks call services; they never save, create, update or delete themselves."""
    writing = {"create", "bulk_create", "get_or_create", "update_or_create", "bulk_update"}
    for part in PARTS:
        for path in (ROOT / part).rglob("*.py"):
            if path.name not in {"views.py", "forms.py", "selectors.py", "tasks.py", "api.py", "urls.py"}:
                continue
            for node in ast.walk(ast.parse(path.read_text())):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                    assert node.func.attr not in writing, f"{path}:{node.lineno} writes outside a service"


def test_every_module_opens_with_a_sentence_that_says_what_it_is_for() -> None:
    for part in PARTS:
        for path in (ROOT / part).rglob("*.py"):
            if "migrations" in path.parts or not path.read_text().strip():
                continue
            assert ast.get_docstring(ast.parse(path.read_text())), f"{path} has no opening sentence"


def test_every_library_has_its_line_in_developers_md() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())
    named = [*project["project"]["dependencies"], *project["dependency-groups"]["dev"]]
    developers = (ROOT / "DEVELOPERS.md").read_text()
    for requirement in named:
        name = requirement.split(">")[0].split("[")[0].strip()
        assert "<" in requirement or name in {"tzdata", "types-python-dateutil"}, (
            f"{requirement} has no upper bound"
        )
        assert f"| {name} |" in developers, f"{name} has no line in DEVELOPERS.md, section Libraries"


@pytest.mark.slow
def test_a_part_imports_only_from_its_left() -> None:
    done = subprocess.run(
        [Path(sys.executable).parent / "lint-imports"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout
