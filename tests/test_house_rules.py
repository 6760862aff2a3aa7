"""What holds of the project itself: sources beside physics, docstrings on tests, quick imports, whole packages."""

from __future__ import annotations

import ast
import importlib
import inspect
import json
import os
import re
import subprocess
import sys
import tarfile
import venv
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from conftest import REFERENCE
from openpyxl import Workbook

import matchkit
import matchkit as mk
from matchkit import constants
from matchkit import files as shipped_module
from matchkit.cli.printing import to_json
from matchkit.files import shipped
from matchkit.records.quantity import Quantity, Record, quantities
from matchkit.records.schema import TABLES
from matchkit.score.term import all_terms
from matchkit.tables.read.cells import cell_type
from matchkit.tables.read.csv import read_csv
from matchkit.tables.read.xlsx import read_workbook
from matchkit.tables.template import write_template

ROOT = Path(__file__).parent.parent
LABELS = {"published", "analytic", "regression"}
CASES = {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(REFERENCE.glob("*.json"))}


def physics_functions() -> list[str]:
    found = []
    for path in sorted((ROOT / "matchkit" / "physics").rglob("*.py")):
        if path.stem == "__init__":
            continue
        module = importlib.import_module(".".join(path.relative_to(ROOT).with_suffix("").parts))
        found += [
            f"{module.__name__}.{name}"
            for name, item in vars(module).items()
            if inspect.isfunction(item) and item.__module__ == module.__name__ and not name.startswith("_")
        ]
    return found


CHECKED_ELSEWHERE = {
    "matchkit.physics.lay.fitting.fit": "tests/physics/test_facing.py, against NIST StRD Misra1a and Norris (published)",
    "matchkit.physics.contact.gap_slope": "tests/physics/test_closing.py, against differences of solutions (analytic)",
    "matchkit.physics.lay.fitting.slopes_of": "tests/physics/test_propagation.py, against derivatives (analytic)",
    "matchkit.physics.lay.fitting.propagate": "tests/physics/test_propagation.py, against JCGM 100:2008 H.1 and H.2",
    "matchkit.physics.lay.shapes.fall_m": "tests/physics/test_facing.py, against differences of run_m (analytic)",
    "matchkit.physics.lay.shapes.rise_m": "tests/physics/test_facing.py, as the inverse of run_m (analytic)",
    "matchkit.physics.lay.flaws.find_flaws": "tests/maker/test_ghosts.py, on pieces of a known truth",
    "matchkit.physics.lay.flaws.one_deeper_m": "tests/physics/test_facing.py, on arcs of a known truth",
    "matchkit.physics.lay.scaled.scaled_lay": "tests/parts/test_said.py, against stretched readings fitted anew, and against an ellipse (analytic)",
    "matchkit.physics.lay.fair.same_shape": "tests/physics/test_facing.py, against the whole fit",
    "matchkit.physics.lay.fair.miss_slopes": "tests/maker/test_measure.py, against the complex step (analytic)",
    "matchkit.physics.lay.fair.usual_slopes": "tests/maker/test_measure.py, against the complex step (analytic)",
    "matchkit.physics.lay.fair.usual": "tests/physics/test_facing.py, by what few feelers leave open",
    "matchkit.physics.lay.facing.evened": "tests/physics/test_facing.py, against rails stretched by a known share (analytic)",
    "matchkit.physics.lay.scan.readings_from_profile": "tests/physics/test_scan.py, against an arc and simulated noise (analytic)",
    "matchkit.physics.lay.level.level": "tests/physics/test_scan.py, zeros and tilts that were put there (analytic)",
    "matchkit.physics.lay.level.noise_of": "tests/physics/test_scan.py, against simulated noise (analytic)",
    "matchkit.physics.lay.scan.find_specks": "tests/physics/test_scan.py, specks that were put there, and none (analytic)",
    "matchkit.physics.lay.scan.scan_of": "tests/physics/test_scan.py, as level and its spacing",
    "matchkit.physics.lay.splines.cubic_basis": "tests/physics/test_splines.py, against scipy's BSpline.design_matrix",
    "matchkit.physics.lay.scan.smooth_profile": "tests/physics/test_scan.py, against scipy's make_smoothing_spline",
    "matchkit.physics.lay.scan_flaws.find_scanned_flaws": "tests/physics/test_scan.py, against bumps that were put there (analytic)",
    "matchkit.physics.lay.refit.redraw": "tests/maker/test_measure.py, against the fit itself, and by the coverage of its uncertainties",
    "matchkit.physics.lay.refit.redraw_same_shape": "tests/maker/test_measure.py, against the fit itself",
    "matchkit.physics.share_table.power_exponent": "tests/maker/test_pairing.py, as the inverse of shape_of_power (analytic)",
    "matchkit.physics.share_table.shape_of_power": "tests/maker/test_pairing.py, against the power law itself (analytic)",
    "matchkit.physics.share_table.power_beams": "tests/maker/test_pairing.py, against exact contact solutions",
    "matchkit.physics.share_table.share_table": "tests/maker/test_pairing.py, against exact contact solutions",
    "matchkit.physics.lay.facing.flaws": "tests/physics/test_facing.py, against a bump that was put there (analytic)",
    "matchkit.physics.closing.closing_share": "tests/physics/test_closing.py, against its own contact solution",
    "matchkit.physics.closing.area_weights": "tests/physics/test_closing.py, against the area under a parabola (analytic)",
    "matchkit.physics.beams.joined": "tests/physics/test_contact.py, each beam alone and among others",
    "matchkit.physics.closing.load_at_gap": "tests/physics/test_closing.py, by the gap it leaves and scaling laws (analytic)",
    "matchkit.physics.closing.closing_pressure_per_modulus": "tests/physics/test_held.py, against finite, dense contact by scipy's nnls",
}


def test_every_physics_function_has_a_published_or_analytic_case() -> None:
    """No physics function rests on its own output: a reference file with a source covers it, or a closed form in its test."""
    covered = {
        name
        for data in CASES.values()
        if any(case["label"] in {"published", "analytic"} for case in data["cases"])
        for name in data["covers"]
    }
    assert set(physics_functions()) <= covered | set(CHECKED_ELSEWHERE)
    for name in covered:
        module, attribute = name.rsplit(".", 1)
        assert hasattr(importlib.import_module(module), attribute), f"{name} is gone"


@pytest.mark.parametrize("name", list(CASES))
def test_every_reference_case_names_its_source(name: str) -> None:
    """Title, label, source and place stand beside every value."""
    assert CASES[name]["title"]
    for case in CASES[name]["cases"]:
        assert case["label"] in LABELS
        assert case["source"]
        assert case["place"]
        assert case["expected"]
        assert set(case["digits"]) == set(case["expected"])


def test_every_reference_file_is_used() -> None:
    """A reference file that no test reads checks nothing."""
    tests = "".join(path.read_text(encoding="utf-8") for path in ROOT.glob("tests/**/*.py"))
    assert all(f'reference("{name}"' in tests for name in CASES)


def test_each_test_says_what_it_proves() -> None:
    """Every test has a docstring and asserts something."""
    for path in ROOT.glob("tests/**/test_*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                assert ast.get_docstring(node), f"{path.name}: {node.name}"
                body = ast.dump(node)
                assert "Assert(" in body or "'raises'" in body or "'check'" in body, f"{path.name}: {node.name}"


def test_every_module_says_what_it_is_for() -> None:
    """Each module and package opens with a sentence about it, and nothing is left to be written later."""
    for path in ROOT.glob("matchkit/**/*.py"):
        text = path.read_text(encoding="utf-8")
        told = ast.get_docstring(ast.parse(text)) or ""
        assert len(told.split()) > 3, path
        assert not [word for word in ("TO" + "DO", "FIX" + "ME", "X" * 3) if word in text], path


def test_every_field_is_described() -> None:
    """Each column has a meaning, and its other units share no name with a column of any table."""
    names = {name for model in TABLES.values() for name in model.model_fields}
    for model in TABLES.values():
        for name, quantity in quantities(model).items():
            assert quantity.meaning, name
            assert not {unit.column for unit in quantity.accepts} & names
            if quantity.refers_to is not None:
                assert quantity.refers_to in TABLES


def test_a_field_without_a_description_is_an_error() -> None:
    """The schema refuses a column that nobody described."""

    class Bare(Record):
        id: str

    with pytest.raises(TypeError, match="must carry one Quantity"):
        quantities(Bare)
    assert list(Quantity("free")) == []


def test_every_parameter_has_unit_source_and_status() -> None:
    """Numbers with a meaning say what they are, in what unit, from where, and how sure."""
    for item in vars(constants).values():
        if isinstance(item, constants.Parameter | constants.PerInstrument):
            assert item.unit
            assert item.meaning
            assert item.source
            assert item.status in {"published", "computed", "assumed"}
    assert all(term.meaning and term.measure for term in all_terms().values())
    assert set(constants.STIFFNESS_CLAMP.values) == set(constants.INSTRUMENTS)


def test_modules_fit_in_a_sitting() -> None:
    """No module is longer than 400 lines, and no folder holds more than twelve."""
    modules = list(ROOT.glob("matchkit/**/*.py"))
    assert not {p.name: n for p in modules if (n := len(p.read_text(encoding="utf-8").splitlines())) > 400}
    folders = Counter(str(p.parent) for p in modules)
    assert not {folder: count for folder, count in folders.items() if count > 12}


HEAVY = ("numpy", "scipy", "pandas", "sklearn", "pydantic", "rich", "joblib", "matplotlib", "jinja2", "click")


@pytest.mark.parametrize(
    ("code", "allowed"),
    [
        ("import matchkit", ()),
        ("import matchkit.cli; matchkit.cli.main(['--help'], standalone_mode=False)", ("click",)),
    ],
)
def test_importing_and_helping_load_nothing_heavy(code: str, allowed: tuple[str, ...]) -> None:
    """No heavy library is loaded until a command needs it."""
    script = f"{code}\nimport sys\nprint([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == str(list(allowed))


@pytest.mark.parametrize("question", [("rank", "P02"), ("rank", "P02", "--no-cache"), ("strengths", "AM-05")], ids=" ".join)
def test_a_small_house_is_answered_without_heavy_libraries(question: tuple[str, ...]) -> None:
    """In a fresh process a question loads no scikit-learn, pandas or scipy, and nothing of the maker's bench, playtests or figures."""
    script = (
        "import sys\nfrom matchkit.cli import main\n"
        f"main({list(question)!r}, standalone_mode=False)\n"
        "heavy = {'sklearn', 'pandas', 'scipy', 'matplotlib', 'jinja2', 'joblib', 'statsmodels', 'sqlalchemy', 'openpyxl'}\n"
        "ours = ('matchkit.maker', 'matchkit.playtest', 'matchkit.report')\n"
        "print(sorted(name for name in sys.modules if name.split('.')[0] in heavy or name.startswith(ours)))"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


def cpu_seconds(*command: str) -> float:
    before = os.times()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


@pytest.mark.parametrize(
    ("command", "figure"),
    [
        ((sys.executable, "-c", "import matchkit"), 0.050),
        ((sys.executable, "-m", "matchkit", "--help"), 0.150),
        ((sys.executable, "-m", "matchkit", "rank", "P01"), 3.0),
        ((sys.executable, "-m", "matchkit", "facing", "TM-04"), 1.5),
    ],
)
def test_commands_stay_within_twice_their_figure(command: tuple[str, ...], figure: float) -> None:
    """CPU time from cold, best of three, is under twice the figure; the bare interpreter's own time is taken off the import."""
    own = min(cpu_seconds(sys.executable, "-c", "") for _ in range(3)) if figure < 0.1 else 0.0
    assert min(cpu_seconds(*command) for _ in range(3)) - own < 2 * figure


def test_public_functions_are_documented_in_sections() -> None:
    """Every public function, and every method of a house, says what it takes and what it raises (numpydoc)."""
    methods = [getattr(mk.House, name) for name in dir(mk.House) if not name.startswith("_")]
    public = [item for item in methods if inspect.isfunction(item)]
    public += [getattr(mk, name) for name in mk.__all__ if inspect.isfunction(getattr(mk, name))]
    assert len(public) > 15
    for function in public:
        told = inspect.getdoc(function) or ""
        assert "Raises\n------" in told, function
        takes = [name for name in inspect.signature(function).parameters if name != "self"]
        if takes and function.__name__ != "compare":
            assert "Parameters\n----------" in told, function
            assert not [name for name in takes if not re.search(rf"\b{name}\b", told)], function


def test_public_names() -> None:
    """Every public name resolves, is listed, and an unknown one is an AttributeError."""
    for name in matchkit.__all__:
        assert getattr(matchkit, name) is not None
        assert name in dir(matchkit)
    with pytest.raises(AttributeError, match="no attribute 'close'"):
        matchkit.__getattr__("close")


def test_shipped_files_are_found_in_package_or_checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The package's own copy comes first, then the checkout; a name that is in neither is an error."""
    package = tmp_path / "matchkit"
    (package / "_shipped" / "data").mkdir(parents=True)
    (tmp_path / "data").mkdir()
    monkeypatch.setattr(shipped_module, "_PACKAGE", package)
    assert shipped("data") == package / "_shipped" / "data"
    (package / "_shipped" / "data").rmdir()
    assert shipped("data") == tmp_path / "data"
    with pytest.raises(matchkit.SourceError, match="not part of this installation"):
        shipped("nothing")


def test_demo_house_is_what_its_script_writes(tmp_path: Path) -> None:
    """Running the seeded script again gives the shipped tables, byte for byte."""
    for script in ("make_demo.py", "make_trials.py"):
        subprocess.run([sys.executable, str(ROOT / "data" / script), str(tmp_path)], check=True, timeout=300)
    written = sorted(path.name for path in tmp_path.iterdir())
    assert written == sorted(path.name for path in (ROOT / "data" / "demo").iterdir())
    for name in written:
        assert (tmp_path / name).read_bytes() == (ROOT / "data" / "demo" / name).read_bytes(), name


def test_demo_batch_is_what_its_script_writes(tmp_path: Path) -> None:
    """Batch and study are the seeded script's, byte for byte, and the docs list exactly the faults it plants."""
    subprocess.run([sys.executable, str(ROOT / "data" / "make_bench.py"), str(tmp_path)], check=True, timeout=300)
    shipped_files = sorted(
        path.relative_to(ROOT / "data" / "demo-bench") for path in (ROOT / "data" / "demo-bench").rglob("*.csv")
    )
    assert sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*.csv")) == shipped_files
    for name in shipped_files:
        assert (tmp_path / name).read_bytes() == (ROOT / "data" / "demo-bench" / name).read_bytes(), name
    script = (ROOT / "data" / "make_bench.py").read_text(encoding="utf-8")
    planted = dict(re.findall(r"^    (\d+): \(\"([^\"]+)\"", script, flags=re.MULTILINE))
    page = (ROOT / "docs" / "demo-house.md").read_text(encoding="utf-8")
    listed = {str(int(number)): words for number, words in re.findall(r"^\| (\d{3}) \| (.+) \|$", page, flags=re.MULTILINE)}
    assert planted == listed
    assert len(planted) == 6


def test_demo_house_is_as_large_as_promised() -> None:
    """At least 30 mouthpieces, 60 reeds over 6 profiles and both cuts, cane and synthetic, 14 ligatures, 16 players, 900 playtests."""
    tables = matchkit.open().tables
    assert len(tables.mouthpieces) >= 30
    assert len(tables.reeds) == 60
    assert len({reed.profile_id for reed in tables.reeds}) >= 6
    assert {reed.cut for reed in tables.reeds} == {"filed", "unfiled"}
    assert {reed.material for reed in tables.reeds} == {"cane", "synthetic"}
    assert (len(tables.ligatures), len(tables.players), len(tables.playtests)) == (14, 16, 900)
    assert {piece.instrument for piece in tables.mouthpieces} == set(constants.INSTRUMENTS)
    read = {reading.mouthpiece_id for reading in tables.facings}
    assert any(piece.id not in read for piece in tables.mouthpieces)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Wheel and source distribution of the checkout."""
    out = tmp_path_factory.mktemp("dist")
    subprocess.run(
        [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(out), str(ROOT)],
        check=True,
        stdout=subprocess.DEVNULL,
        timeout=300,
    )
    return out


def test_the_wheel_carries_all_it_needs(built: Path, tmp_path: Path) -> None:
    """Unpacked by itself, it ranks the demo house in an empty folder; neither tests nor benchmarks are in it."""
    empty = tmp_path / "empty"
    empty.mkdir()
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "wheel")
        names = archive.namelist()
    assert "matchkit/py.typed" in names
    assert not [name for name in names if name.split("/")[0] not in ("matchkit", f"matchkit-{matchkit.__version__}.dist-info")]
    done = subprocess.run(
        [sys.executable, "-m", "matchkit", "rank", "P01"],
        cwd=empty,
        env={**os.environ, "PYTHONPATH": str(tmp_path / "wheel")},
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.startswith("For P01")
    assert not list(empty.iterdir())
    with tarfile.open(next(iter(built.glob("*.tar.gz")))) as source:
        inside = {name.partition("/")[2].split("/")[0] for name in source.getnames()}
    assert {"matchkit", "data", "models", "tests", "benchmarks", "docs", "Makefile"} <= inside


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["*.whl", "*.tar.gz"])
def test_installed_package_ranks_in_an_empty_folder(built: Path, kind: str, tmp_path: Path) -> None:
    """Installed alone into an empty environment, it ranks the demo house in an empty folder."""
    environment, empty = tmp_path / "env", tmp_path / "empty"
    empty.mkdir()
    venv.create(environment, with_pip=True)
    python = environment / "bin" / "python"
    (package,) = built.glob(kind)
    kept = {name: value for name, value in os.environ.items() if name != "XDG_CACHE_HOME"}  # pip's own cache, not the tests'
    for packages in (["--upgrade", "pip"], [str(package)]):
        subprocess.run([python, "-m", "pip", "install", "--quiet", *packages], check=True, timeout=600, env=kept)
    done = subprocess.run(
        [environment / "bin" / "matchkit", "rank", "P01"], cwd=empty, capture_output=True, text=True, check=True, timeout=120
    )
    assert done.stdout.startswith("For P01")
    listed = subprocess.run([python, "-m", "pip", "list", "--format", "freeze"], capture_output=True, text=True, check=True)
    assert not {"pytest", "ruff", "mypy", "hypothesis"} & {line.split("==")[0] for line in listed.stdout.splitlines()}
    assert not list(empty.iterdir())
    assert list(environment.glob("lib/python3*/site-packages/matchkit/py.typed"))


def test_contact_solver_is_as_quick_as_the_independent_one() -> None:
    """In one run the production solver is not slower than the dense one on what a ranking solves, but for chance."""
    from solver import closed_form_miss, solver_speed

    mine, theirs, _ = solver_speed(matchkit.open())
    assert theirs / mine > 0.8
    assert closed_form_miss() < 0.001


SAMPLES = {str: "x", int: "2", bool: "yes"}


def sample(name: str, model: type[Record]) -> str:
    """A value that a column takes."""
    info, quantity = model.model_fields[name], quantities(model)[name]
    kind = cell_type(info.annotation)
    if kind.choices:
        return kind.choices[0]
    if kind.base is float:
        low, high = quantity.low or 0.0, quantity.high or 1.0
        return f"{low + (high - low) / 3:.4g}"
    return SAMPLES.get(kind.base, "2026-01-31")


@pytest.mark.parametrize("table", list(TABLES))
def test_every_field_walks_through_every_output(table: str, tmp_path: Path) -> None:
    """Each field of the schema is in the template, the data dictionary and the JSON Schema, and comes back from csv, workbook and JSON."""
    model = TABLES[table]
    names = list(model.model_fields)
    row = {name: sample(name, model) for name in names}
    (tmp_path / "t.csv").write_text(",".join(names) + "\n" + ",".join(row.values()) + "\n")
    reading = read_csv(tmp_path / "t.csv", model)
    assert not reading.problems, [str(problem) for problem in reading.problems]
    (record,) = reading.records
    assert all(getattr(record, name) is not None for name in names)
    book = Workbook()
    page = book.worksheets[0]
    page.title = table
    page.append(names)
    page.append([row[name] if name == "id" or name.endswith("_id") else _number(row[name]) for name in names])
    book.save(tmp_path / "t.xlsx")
    sheets, problems, _ = read_workbook(tmp_path / "t.xlsx")
    assert not problems
    assert sheets[table].records == [record]
    assert model.model_validate_json(record.model_dump_json()) == record
    write_template(tmp_path / "new")
    assert (tmp_path / "new" / f"{table}.csv").read_text().strip().split(",") == names
    dictionary = (ROOT / "docs" / "data-dictionary.md").read_text(encoding="utf-8")
    schema = json.loads((ROOT / "docs" / "schema.json").read_text(encoding="utf-8"))
    assert all(f"| {name} |" in dictionary or f"| **{name}** |" in dictionary for name in names)
    assert set(schema["properties"][table]["items"]["properties"]) == set(names)


def _number(text: str) -> str | float:
    try:
        return float(text)
    except ValueError:
        return text


@pytest.mark.parametrize("question", ["rank", "explain", "closing", "facing", "strengths", "swap"])
def test_answers_survive_json(question: str) -> None:
    """The JSON of every answer parses back to what was written."""
    house = matchkit.open()
    answers: dict[str, Callable[[], Any]] = {
        "rank": lambda: house.rank("P01"),
        "explain": lambda: house.explain("P01", "AM-02", "AR-A-3"),
        "closing": lambda: house.closing("AM-02", "AR-A-3"),
        "facing": lambda: house.facing("AM-02"),
        "strengths": lambda: house.strengths("AM-02", "P02"),
        "swap": lambda: house.swap("P02", mouthpiece="AM-02"),
    }
    plain = answers[question]().to_dict()
    text = to_json(plain)
    assert to_json(json.loads(text)) == text
    assert json.loads(text).keys() == plain.keys()
