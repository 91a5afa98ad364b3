"""Every mistake in a plan is told with its line, its key, the wrong value and what is allowed."""

from pathlib import Path

import pytest
from support.plans import PLAN, PUMP, VCU, write_plan

from busplan.errors import PlanError, Problem
from busplan.plan.reader import load_plan


def problems(folder: Path, plan: str, **definitions: str) -> list[Problem]:
    path = write_plan(folder, plan, **({"pump": PUMP, "vcu": VCU} | definitions))
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    assert caught.value.problems
    return list(caught.value.problems)


EDITS = [
    # (in the valid plan, replaced by, line, place, words of the message)
    ("250_000", '"fast"', 4, "network.loop.bit_rate", ['got "fast" (text)', "5000 to 1000000"]),
    ("250_000", "2_000_000", 4, "network.loop.bit_rate", ["got 2000000", "5000 to 1000000"]),
    ("250_000", "true", 4, "network.loop.bit_rate", ["got true", "5000 to 1000000"]),
    ("250_000", "250_000.0", 4, "network.loop.bit_rate", ["a whole number", "250000.0"]),
    ("bit_rate = 250_000\n", "", 3, "network.loop", ['"bit_rate" is missing', "5000 to 1000000"]),
    (
        "250_000",
        "250_000\nbitrate = 1",
        5,
        "network.loop.bitrate",
        ["unknown", 'did you mean "bit_rate"'],
    ),
    (
        "250_000",
        "250_000\ntrunk_m = 6.5",
        5,
        "network.loop.trunk_m",
        ["unknown key; it is a key of [network.NAME.cable]"],
    ),
    (
        'sender = "PUMP"',
        'sender = "PUMP"\ndeadline_ms = 20',
        11,
        "part.pump.deadline_ms",
        ['unknown key; it is a key of [message."NETWORK/NODE/MESSAGE"]'],
    ),
    ('["can0"]', '["can0", 1]', 5, "network.loop.channels #2", ["channel names", "got 1"]),
    ("[vehicle]", "[vehicel]", 1, "vehicel", ["unknown section", '"vehicle"?']),
    ('name = "Test bench"', "name = 3", 2, "vehicle.name", ["text", "got 3"]),
    ("[0x0, 0x10]", '"fixd"', 11, "part.pump.identifiers", ['"fixed"', '"free"', '"fixd"']),
    ('sender = "PUMP"', 'sender = "PMP"', 10, "part.pump.sender", ['"PMP"', '"PUMP"?']),
    ('sender = "PUMP"\n', "", 8, "part.pump", ['"sender" is missing', '"PUMP", "VCU"']),
    # A bound that the words do not tell is told with them, and none twice.
    (
        *("bit_rate = 250_000", "bit_rate = 250_000\ncable.trunk_m = 10_001", 5),
        *("network.loop.cable.trunk_m", ["in metres, 0 or more (at most 10000); got 10001"]),
    ),
    (
        *("bit_rate = 250_000", "bit_rate = 250_000\nload_limit = 1.5", 5),
        *("network.loop.load_limit", ["up to 1, such as 0.5 for 50 %; got 1.5"]),
    ),
    (
        *("bit_rate = 250_000", "bit_rate = 250_000\nfault_interval_ms = 86_400_001", 5),
        *("network.loop.fault_interval_ms", ["0.001 or more (at most 86400000); got 86400001"]),
    ),
    ('"pump.dbc"', '"."', 9, "part.pump.definitions", ['"." cannot be read: Is a directory']),
    ('"pump.dbc"', r'"\u0000"', 9, "part.pump.definitions", ["is no path that a file can have"]),
    ('"pump.dbc"', '"pmp.dbc"', 9, "part.pump.definitions", ['"pmp.dbc"', '"pump.dbc"?']),
    ('part = "pump"', 'part = "pumpe"', 17, "node.pump.part", ["no part", '"pump"?']),
    ('on = ["loop"]', 'on = ["lop"]', 18, "node.pump.on #1", ["no network", '"loop"?']),
    ('on = ["loop"]', "on = []", 18, "node.pump.on", ["list of networks", "got []"]),
    ('on = ["loop"]', 'on = { a = "loop" }', 18, "node.pump.on.a", ["one connection"]),
    ('on = ["loop"]', 'on = ["loop", "main"]', 18, "node.pump.on", ["cannot be on 2 networks"]),
    (
        'on = ["loop"]',
        'on = ["loop"]\nidentifier_offset = 0x20',
        19,
        "node.pump.identifier_offset",
        ["0x0, 0x10", "got 0x20"],
    ),
    (
        'identifiers = "free"\n[node.pump]',
        '[node."a/b"]\npart = "pump"\non = ["loop"]\n[node.pump]',
        15,
        'node."a/b"',
        ["no blank, slash"],
    ),
    (
        "bit_rate = 250_000",
        'bit_rate = 250_000\ncable = { order = ["pump", "vcu"], segments_m = [1, 2] }',
        5,
        "network.loop.cable.segments_m",
        ["one length between each two nodes of order, 1", "got 2"],
    ),
    (
        "bit_rate = 250_000",
        'bit_rate = 250_000\ncable = { order = ["pump", "vcu"], segments_m = [1], trunk_m = 2 }',
        5,
        "network.loop.cable.segments_m",
        ["add up to 1 m", "trunk_m is 2 m"],
    ),
    (
        "bit_rate = 250_000",
        'bit_rate = 250_000\ncable = { order = ["pump", "vcu", "pump"] }',
        5,
        "network.loop.cable.order",
        ['names "pump" 2 times'],
    ),
    (
        "bit_rate = 250_000",
        'bit_rate = 250_000\ncable = { order = ["pmp"] }',
        5,
        "network.loop.cable.order #1",
        ['on network "loop"', '"pump"?'],
    ),
    (
        "bit_rate = 250_000",
        'bit_rate = 250_000\ncable = { terminators_ohm = [120], terminators_at = ["vc"] }',
        5,
        "network.loop.cable.terminators_at #1",
        ['on network "loop"', '"vcu"?'],
    ),
    (
        "bit_rate = 250_000",
        "bit_rate = 250_000\ncable.at.pump.high_pin = 7",
        5,
        "network.loop.cable.at.pump.high_pin",
        ["a pin as text", "got 7"],
    ),
    (
        "250_000",
        "250_000\nreserved = [[0x80, 0x10]]",
        5,
        "network.loop.reserved #1",
        ["the smaller one", "0x80 to 0x10"],
    ),
    ("250_000", "250_000\nguests = 0", 5, "network.loop.guests", ["true", "got 0"]),
    ('on = ["loop"]', 'on = ["loop"]\nallowed = ["lop"]', 19, "node.pump.allowed #1", ['"loop"?']),
    ('on = ["loop"]', 'on = ["loop"]\nat_m = -1', 19, "node.pump.at_m", ["metres", "got -1"]),
    (
        'on = ["loop"]',
        'on = ["loop"]\nkeep = true\nallowed = ["loop"]',
        16,
        "node.pump",
        ["both keep and allowed"],
    ),
]


@pytest.mark.parametrize(("old", "new", "line", "place", "words"), EDITS)
def test_one_mistake(
    tmp_path: Path, old: str, new: str, line: int, place: str, words: list[str]
) -> None:
    assert old in PLAN
    found = problems(tmp_path, PLAN.replace(old, new, 1))
    assert len(found) == 1, found
    assert (found[0].line, found[0].place) == (line, place)
    for word in words:
        assert word in found[0].text


PACK = (
    '[[pack.enclosure]]\nname = "A"\nnode = "pump"\nmodules = ["M"]\ncells_per_module = 1\n'
    'cells = ["loop/pump/PumpStatus/Speed"]\n[pack]\nchemistry = "NMC"\n'
)

PAPER = "[[part.pump.message]]\nidentifier = 0x123\nbytes = 8\n"
VALUE = '[[part.pump.message.signal]]\nname = "A"\nstart = 0\nlength = 8\n'

TAILS = [
    ('[[route]]\nsignal = "X"\nfrom = "loop"\nto = "main"\nthrough = "vcu"\n', 2),
    ('[[route]]\nfrom = "loop"\nto = "loop"\nthrough = "nobody"\n', 3),
    ('[message."loop/PumpStats"]\ncycle_ms = 10\n', 1),
    ('[message."loop/PumpStatus"]\ncycle_ms = 10\nmin_distance_ms = 5\n', 1),
    ("[message.x]\ncycle_ms = 0\n", 1),
    # 0 once it is whole nanoseconds
    ('[message."loop/PumpStatus"]\ncycle_ms = 1e-9\n', 1),
    ('[message."loop/PumpStatus"]\ndeadline_ms = 1e-9\n', 1),
    ('[message."loop/PumpStatus"]\ncycle_tolerance = 0\n', 1),
    ('[message."loop/PumpStatus"]\nlongest_gap_ms = -1\n', 1),
    ('[message."loop/PumpStatus".limits]\nNobody = { low = 1 }\n', 1),
    ('[message."loop/PumpStatus".limits]\nSpeed = { low = 2, high = 1, step = -1 }\n', 1),
    ('[message."loop/PumpStatus"]\nsegmented = true\n', 1),
    ('[message."loop/PumpStatus"]\nsession_priority = 8\n', 1),
    ('[message."loop/PumpStatus"]\npace_ms = -1\n', 1),
    ('[message."loop/PumpStatus"]\nwindow = 256\n', 1),
    ('[message."loop/PumpStatus"]\nanswer_ms = "fast"\n', 1),
    ('[message."loop/PumpStatus"]\nflow_control = 0x20000000\n', 1),
    ('[pack]\nchemistry = "XYZ"\n', 1),
    ("[allot]\nnew_networks = 9\nmove = -1\nmoves = 1\n", 3),
    (PACK + "capacity_ah = 0\nbalancing_current_a = -0.1\n", 2),
    (PACK + 'capacity_ah = "100 Ah"\n', 1),
    (PACK + "joints_mohm = -0.5\n", 1),
    (PACK + "link_discharge_s = 0\n", 1),
    (PACK + '[pack.quantities]\nplus_contactor = 1\nminus_contacter = "x"\n', 2),
    (PACK + '[pack.quantities]\ncharger_enable = "loop/pump/PumpStatus/Missing"\n', 2),
    (PACK.replace("cells_per", "loop_position = 0\nkind = 3\ncells_per"), 2),
    (PACK.replace("cells_per", "loop_position = [1, 2]\ncells_per"), 2),
    (PACK.replace("cells_per", 'kind = ["a", "b"]\ncells_per'), 2),
    ("[[part.pump.message]]\nidentifier = 0x20000000\nbytes = -1\n", 2),
    (PAPER.replace("0x123", "0x800\nextended = false"), 1),
    (PAPER + "cycle_ms = 1\nmin_distance_ms = 1\n", 1),
    (PAPER + "j1939 = true\nfd = true\n", 1),
    (PAPER + 'name = "a b"\nreceivers = "x"\nbyte = 1\n', 3),
    (PAPER + VALUE + VALUE, 2),
    (PAPER + VALUE + "scale = 0\nfloating = true\n", 2),
    (PAPER + VALUE + 'scale = inf\nvalues = { a = "b" }\n', 2),
    (PAPER + VALUE + "page = 1\n", 1),
    (PAPER + VALUE + 'page = "7-4"\n', 1),
    (PAPER + VALUE + 'page = 1\nselector = "B"\n', 1),
    (PAPER + VALUE + 'selector = "A"\n', 1),
    (PAPER + VALUE.replace("length = 8", "length = 65").replace("start = 0", "start = 524280"), 2),
    (PAPER + "confidence = 1.5\n", 1),
    ("[node.pump.offsets]\nPumpStats = 3\n", 1),
    ("[node.pump.offsets]\nPumpStatus = -3\n", 1),
    ('[node.pump.offsets]\nPumpStatus = "early"\n', 1),
    (
        '[message."loop/PumpStatus"]\nmin_distance_ms = 5\n[node.pump.offsets]\nPumpStatus = 3\n',
        1,
    ),
    ("[network.loop.cable]\nstubs_m = { pumpe = 1.0 }\n", 1),
    ("[network.loop.cable]\nstubs_m = { pump = -1.0 }\n", 1),
    ("[network.other]\nbit_rate = 500_000\ndata_bit_rate = 250_000\n", 1),
    ('[network.other]\nbit_rate = 500_000\nchannels = ["can0"]\n', 2),
]


@pytest.mark.parametrize(("tail", "count"), TAILS)
def test_mistakes_further_down(tmp_path: Path, tail: str, count: int) -> None:
    found = problems(tmp_path, PLAN + tail)
    assert len(found) == count, found
    assert all(p.line is not None for p in found)


def test_all_mistakes_at_once_in_order_of_the_text(tmp_path: Path) -> None:
    plan = (
        PLAN.replace("500_000", '"fast"')
        .replace('sender = "PUMP"', 'sender = "PMP"')
        .replace('part = "vcu"', 'part = "vcv"')
        .replace("channels", "chanels")
    )
    found = problems(tmp_path, plan)
    assert [p.line for p in found] == [5, 7, 10, 20]


def test_what_hangs_on_a_broken_table_is_not_told_twice(tmp_path: Path) -> None:
    plan = PLAN.replace("250_000", '"fast"') + '[message."loop/PumpStatus"]\ncycle_ms = 10\n'
    assert len(problems(tmp_path, plan)) == 1


def test_a_broken_definition_file_is_told_with_its_own_lines(tmp_path: Path) -> None:
    found = problems(tmp_path, PLAN.replace('"loop"', '"lop"', 1), pump="garbage\n%%%\n")
    assert {Path(p.file).name for p in found} == {"plan.toml", "pump.dbc"}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"# nothing\n", "is empty"),
        (b"\x00\x01\xff\xfe" * 100, "not a text file"),
        (b"name = 'caf\xe9'\n", "not text in UTF-8"),
        (b"[vehicle\nname = 1\n", "not valid TOML"),
        (b"a = 1\na = 2\n", "not valid TOML: a key is there twice"),
        (b"[A.b]\n[A.b]\n", "not valid TOML: the table or key A.b is there twice"),
        (b'a.b = {}\n[a."b"]\n', "the table or key a.b is there twice"),
        ("[node.zähler]\n".encode(), 'in quotes: [node."größe"]'),
        ("[node]\ngröße = 1\n".encode(), 'in quotes: [node."größe"]'),
        (b"a = []\n[[a]]\n", "the table or key a is there twice"),
        (b'VERSION ""\nNS_ :\n', "definition file (DBC)"),
    ],
)
def test_a_file_that_is_no_plan(tmp_path: Path, data: bytes, words: str) -> None:
    path = tmp_path / "plan.toml"
    path.write_bytes(data)
    with pytest.raises(PlanError, match=r"plan\.toml") as caught:
        load_plan(path)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "hint"),
    [
        ("250_000", "250", "; write 250_000"),
        ("250_000", '"250 kbit/s"', "; write 250_000"),
        ("250_000", '"1Mbit/s"', "; write 1_000_000"),
        ("250_000", '"2 Mbit/s"', "(text)"),
        ("250_000", "3", "(a whole number)"),
        ("250_000", '"250000"', "; write it without quotes"),
        ("250_000", '250_000\ndata_bit_rate = "2 Mbit/s"', "; write 2_000_000"),
        ("250_000", '250_000\nj1939 = "yes"', "; write true, without quotes"),
        ("250_000", '250_000\nload_limit = "0.5"', "; write it without quotes"),
        ('on = ["loop"]', 'on = "loop"', '; one alone is written ["loop"]'),
        ('on = ["loop"]', 'on = ["loop"]\nsource_address = "0x56"', "; write it without quotes"),
        ('sender = "PUMP"', 'sender = "PUMP"\nqueue = "FIFO"', '; did you mean "fifo"?'),
        ('sender = "PUMP"', 'sender = "PUMP"\nbit_rates = 500', "; write [500_000]"),
        ('sender = "PUMP"', 'sender = "PUMP"\nbit_rates = [500]', "; write 500_000"),
        ('["can0"]', '["can0", 1]', "(a whole number)"),
    ],
)
def test_what_was_probably_meant_is_told(tmp_path: Path, old: str, new: str, hint: str) -> None:
    (found, *_) = problems(tmp_path, PLAN.replace(old, new, 1))
    assert found.text.endswith(hint)


def test_a_syntax_error_has_its_line(tmp_path: Path) -> None:
    path = tmp_path / "plan.toml"
    path.write_text('[vehicle]\nname = "x"\nlimit = = 3\n')
    with pytest.raises(PlanError) as caught:
        load_plan(path)
    assert caught.value.problems[0].line == 3


def test_a_missing_plan_names_what_is_near(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").touch()
    with pytest.raises(PlanError, match=r'did you mean "bench.toml"'):
        load_plan(tmp_path / "banch.toml")


@pytest.mark.parametrize(
    "written", ['"C:\\Users\\x.dbc"', '"C:\\temp\\new.dbc"', '"defs\\pump.dbc"']
)
def test_a_path_with_backslashes_in_double_quotes_is_told_how_to_write(
    tmp_path: Path, written: str
) -> None:
    (found, *_) = problems(tmp_path, PLAN.replace('"pump.dbc"', written))
    assert found.line == 9
    assert "write a path with /" in found.text


@pytest.mark.parametrize("written", ["'.\\pump.dbc'", '"sub\\\\..\\\\pump.dbc"', "'./pump.dbc'"])
def test_a_plan_made_on_windows_opens_everywhere(tmp_path: Path, written: str) -> None:
    (tmp_path / "sub").mkdir()
    path = write_plan(tmp_path, PLAN.replace('"pump.dbc"', written), pump=PUMP, vcu=VCU)
    assert load_plan(path).label


def test_a_plan_in_utf_16_is_told_how_to_save(tmp_path: Path) -> None:
    path = write_plan(tmp_path, PLAN, pump=PUMP, vcu=VCU)
    path.write_text(path.read_text("utf-8"), "utf-16")
    with pytest.raises(PlanError, match="save it as UTF-8"):
        load_plan(path)
