"""Every public physics function says what it takes and gives, with units.

The docstring is part of the interface: parameters as in the signature, in its order, each
with a unit in square brackets, and a Returns section with units too.
"""

import importlib
import inspect
import pkgutil
import re

import pytest

import pipeline.hydraulics

UNIT = re.compile(r"\[[^\[\]]+\]")


def public_callables():
    for info in pkgutil.iter_modules(pipeline.hydraulics.__path__):
        module = importlib.import_module(f"pipeline.hydraulics.{info.name}")
        for name, thing in sorted(vars(module).items()):
            if name.startswith("_") or getattr(thing, "__module__", None) != module.__name__:
                continue
            if inspect.isfunction(thing):
                yield f"{info.name}.{name}", thing
            elif inspect.isclass(thing):
                yield f"{info.name}.{name}", thing
                for method, function in vars(thing).items():
                    if not method.startswith("_") and inspect.isfunction(function):
                        yield f"{info.name}.{name}.{method}", function


CASES = dict(public_callables())
PROTOCOLS = {n for n, c in CASES.items() if getattr(c, "_is_protocol", False)}
# A protocol's methods carry their units in one line; its implementations are checked in full.
FUNCTIONS = {
    n: f
    for n, f in CASES.items()
    if inspect.isfunction(f) and not any(n.startswith(p) for p in PROTOCOLS)
}
RECORDS = {
    n: c
    for n, c in CASES.items()
    if inspect.isclass(c) and n not in PROTOCOLS and not issubclass(c, dict)
}


def sections(doc):
    """Split a numpydoc docstring into its sections."""
    found = {"": []}
    current = ""
    lines = inspect.cleandoc(doc).splitlines()
    for line, following in zip(lines, [*lines[1:], ""], strict=True):
        if following and set(following) == {"-"} and len(following) >= len(line.strip()) > 0:
            current = line.strip()
            found[current] = []
        elif not (line and set(line) == {"-"}):
            found[current].append(line)
    return found


def entries(lines):
    """Give (names, text) of each entry of a Parameters or Returns section."""
    out = []
    for line in lines:
        if line and not line.startswith(" "):
            names = [n.strip().lstrip("*") for n in line.split(":")[0].split(",")]
            out.append((names, [line]))
        elif out:
            out[-1][1].append(line)
    return [(names, " ".join(text)) for names, text in out]


def test_there_is_something_to_check():
    assert len(FUNCTIONS) > 50
    assert len(RECORDS) > 15


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_parameters_match_the_signature_and_carry_units(name):
    function = FUNCTIONS[name]
    found = sections(function.__doc__)
    documented = entries(found.get("Parameters", []))
    signature = [p for p in inspect.signature(function).parameters if p != "self"]
    assert [n for names, _ in documented for n in names] == signature
    for names, text in documented:
        assert UNIT.search(text.split(":", 1)[1]), f"{name}: {names} has no [unit] or [-]"


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_returns_carry_units(name):
    returned = " ".join(sections(FUNCTIONS[name].__doc__).get("Returns", []))
    assert UNIT.search(returned), f"{name}: Returns has no [unit] or [-]"


@pytest.mark.parametrize("name", sorted(RECORDS))
def test_fields_match_the_record_and_carry_units(name):
    record = RECORDS[name]
    fields = list(getattr(record, "_fields", None) or inspect.signature(record).parameters)
    documented = entries(sections(record.__doc__).get("Parameters", []))
    assert [n for names, _ in documented for n in names] == fields
    for names, text in documented:
        assert UNIT.search(text.split(":", 1)[1]), f"{name}: {names} has no [unit] or [-]"


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_a_function_that_raises_says_so(name):
    source = inspect.getsource(FUNCTIONS[name])
    raises = bool(re.search(r"^\s+raise \w", source, flags=re.MULTILINE))
    assert not raises or "Raises" in sections(FUNCTIONS[name].__doc__), name


def test_the_parser_sees_a_missing_unit():
    # The check itself: one parameter with a unit, one without.
    found = entries(["a : float", "    Length. [m]", "b, c : float", "    Width."])
    assert [names for names, _ in found] == [["a"], ["b", "c"]]
    assert UNIT.search(found[0][1])
    assert not UNIT.search(found[1][1])
