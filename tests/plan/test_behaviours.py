"""``[[behaviour]]`` and ``[role]``: what they become, and every mistake with its place."""

from pathlib import Path

import pytest
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.errors import PlanError
from busplan.plan.claims import Compare, Held, InState, Several, Silent, messages, operands
from busplan.plan.reader import load_plan
from busplan.plan.ready import READY, SIGNALS, STATES
from busplan.plan.vehicle import Vehicle

STATED = PUMP + 'VAL_ 288 PumpSpeed 0 "Still" 9 "Fast";\n'
SPEED = 'signal = "PumpSpeed"'


def load(folder: Path, tables: str) -> Vehicle:
    return load_plan(write_plan(folder, PLAN + tables, pump=STATED, vcu=VCU))


def problems(folder: Path, tables: str) -> list[str]:
    with pytest.raises(PlanError) as caught:
        load(folder, tables)
    return [str(p) for p in caught.value.problems]


def test_names_states_times_and_roles(tmp_path: Path) -> None:
    vehicle = load(
        tmp_path,
        """
[role]
quick = { signal = "PumpSpeed", above = 100 }
order = "vcu/PumpOrder"
[[behaviour]]
name = "one"
becomes = { all = [{ role = "quick" }, { signal = "PumpSpeed", is = ["Fast", 7] }], for_s = 0.5 }
while = { message = "@order", silent_s = 0.25 }
never = { signal = "PumpTarget", at_most = "PumpSpeed", plus = 2.5, delay_s = 1 }
within_s = 3
note = "why"
""",
    )
    (behaviour,) = vehicle.behaviours
    assert isinstance(behaviour.becomes, Held)
    assert behaviour.becomes.for_ns == 500_000_000
    both = behaviour.becomes.claim
    assert isinstance(both, Several)
    quick, state = both.claims
    assert isinstance(quick, Compare)
    assert str(quick.signal.address) == "loop/pump/PumpStatus/PumpSpeed"
    assert isinstance(state, InState)
    assert (state.numbers, state.names) == ((9.0, 7.0), ("Fast", "7"))
    assert behaviour.during == Silent(("loop", "vcu", "PumpOrder"), 250_000_000)
    # Never at most is above, and then against the bound at its highest.
    required = behaviour.require
    assert isinstance(required, Compare)
    assert (required.order, required.strictest, required.plus) == ("above", True, 2.5)
    assert behaviour.forbids
    assert behaviour.within_ns == 3_000_000_000
    assert len(operands(required)) == 2
    assert messages(behaviour.during) == (("loop", "vcu", "PumpOrder"),)


WRONG = [
    (f"require = {{ {SPEED}, above = 1 }}", ['"require" needs "becomes" or "while"']),
    (f"always = {{ {SPEED} }}", ["a signal needs one of above"]),
    (f"always = {{ {SPEED}, above = 1, below = 2 }}", ["got above and below"]),
    (f'always = {{ {SPEED}, above = "x" }}', ['no signal "x"']),
    (f"always = {{ {SPEED}, above = true }}", ["a number, or the name of a signal", "got true"]),
    (f"always = {{ {SPEED}, between = [2, 1] }}", ["the lower first"]),
    (f'always = {{ {SPEED}, is = "Slow" }}', ['no state "Slow"', '"Still"']),
    (f"always = {{ {SPEED}, above = 1, abov = 1 }}", ["unknown key", '"above"?']),
    (f"always = {{ {SPEED}, above = 1, tolerance = 2 }}", ['does not go with "above"']),
    (f"always = {{ {SPEED}, above = 1, delay_s = 2 }}", ["a bound that is a signal"]),
    (f"always = {{ {SPEED}, silent_s = 1 }}", ["of a message"]),
    ('always = { message = "PumpOrder" }', ['needs "silent_s"']),
    ('always = { message = "PumpOrdr", silent_s = 1 }', ['no message "PumpOrdr"', "PumpOrder"]),
    ('always = { role = "fast" }', ['no role "fast"']),
    ('always = { signal = "@fast", above = 1 }', ['no role "fast"']),
    (f"always = {{ {SPEED}, above = 1 }}\nwithin_s = 1", ["counts from a moment"]),
    (f"always = {{ {SPEED}, above = 1 }}\nnever = {{ {SPEED}, above = 1 }}", ["one of them"]),
    ("note = 'x'", ["says nothing that must hold"]),
    (
        f"becomes = {{ {SPEED}, above = 1 }}\nalways = {{ {SPEED}, above = 1 }}",
        ['with "becomes" write "require"'],
    ),
    (
        f"becomes = {{ {SPEED}, above = 1 }}\nrequire = {{ {SPEED}, above = 1 }}\n"
        "within_s_before = 1\nwithin_s = 1",
        ["looks back"],
    ),
    ('set = { x = 1 }\nalways = { signal = "PumpSpeed", above = 1 }', ["ready behaviour only"]),
    ('ready = "fan-when-ht"', ['"fan-when-hot"']),
    ('ready = "fan-when-hot"', ["[role] does not name yet", "pack_temperature", "fan_on"]),
    ('ready = "fan-when-hot"\nwithin_s = 3', ["brings its own", "limit_c"]),
    ('ready = "fan-when-hot"\nset = { limt_c = 3 }', ['"limit_c"?']),
]


@pytest.mark.parametrize(("tables", "words"), WRONG)
def test_one_mistake(tmp_path: Path, tables: str, words: list[str]) -> None:
    found = problems(tmp_path, f'[[behaviour]]\nname = "b"\n{tables}\n')
    assert len(found) == 1, found
    assert "behaviour" in found[0]
    for word in words:
        assert word in found[0]


def test_mistakes_of_roles(tmp_path: Path) -> None:
    found = problems(
        tmp_path,
        '[role]\na = { role = "b" }\nb = { role = "a" }\nc = 3\nd = "Nothing"\n'
        '[[behaviour]]\nname = "x"\nalways = { role = "c" }\n',
    )
    assert len(found) == 4  # both of the circle, the number, and the name; x hangs on c
    assert any("stands in itself" in f for f in found)
    assert any("role.c: must be the name of a signal" in f for f in found)
    assert any('there is no signal "Nothing"' in f for f in found)


def test_names_are_there_once(tmp_path: Path) -> None:
    one = f'[[behaviour]]\nname = "x"\nalways = {{ {SPEED}, above = 1 }}\n'
    (found,) = problems(tmp_path, one + one)
    assert "there twice" in found
    (missing,) = problems(tmp_path, one.replace('name = "x"\n', ""))
    assert '"name" is missing' in missing


def test_deep_and_wide_claims_are_bounded(tmp_path: Path) -> None:
    part = f"{{ {SPEED}, above = 1 }}"
    wide = "{ any = [" + ", ".join([part] * 99) + "] }"
    for _ in range(2):
        wide = "{ any = [" + ", ".join([wide] * 10) + "] }"
    (found,) = problems(tmp_path, f'[[behaviour]]\nname = "x"\nalways = {wide}\n')
    assert "more than 2000 claims" in found


@pytest.mark.parametrize("name", READY)
def test_each_ready_behaviour_can_be_taken_up(tmp_path: Path, name: str) -> None:
    ready = READY[name]
    assert set(ready.roles) <= set(SIGNALS) | set(STATES)
    roles = [
        f'{r} = "vcu/PumpOrder"'
        if r.endswith("_command")
        else f'{r} = "PumpSpeed"'
        if r in SIGNALS
        else f"{r} = {{ {SPEED}, above = 1 }}"
        for r in ready.roles
    ]
    setting = next(iter(ready.settings))
    vehicle = load(
        tmp_path,
        "[role]\n" + "\n".join(roles) + f'\n[[behaviour]]\nready = "{name}"\n'
        f"set = {{ {setting} = 1.5 }}\n",
    )
    (behaviour,) = vehicle.behaviours
    assert (behaviour.name, behaviour.ready) == (name, name)
    assert behaviour.source == "common practice, no source"
    assert behaviour.note == ready.note
