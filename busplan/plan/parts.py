"""Parts: what was bought, with the definition files that describe it."""

from __future__ import annotations

from pathlib import Path, PureWindowsPath

from busplan.definitions.dbc import Definitions
from busplan.definitions.source import NoSuchFileError, UnreadableFileError
from busplan.errors import PlanError
from busplan.plan.context import Context
from busplan.plan.locate import KeyPath, show_path
from busplan.plan.paper import draft_finding, paper_messages
from busplan.plan.problems import BACKSLASHES, suggestion
from busplan.plan.schema import PartSpec, PortSpec
from busplan.plan.vehicle import Part, Port
from busplan.wording import one_line


def resolve_part(context: Context, name: str, spec: PartSpec) -> Part | None:
    """The part with its definitions read, or ``None`` when anything about it is wrong."""
    path = ("part", name)
    ports: dict[str, Port] = {}
    if spec.port:
        for key in ("definitions", "sender", "terminator_ohm", "message"):
            if getattr(spec, key):
                context.problems.add(
                    (*path, key), "the part has ports, so this belongs in the port's table"
                )
        for port_name, port_spec in spec.port.items():
            port = _port(context, (*path, "port", port_name), port_name, port_spec, spec)
            if port is not None:
                ports[port_name] = port
    else:
        port = _port(context, path, "", spec, spec)
        if port is not None:
            ports[""] = port
    if len(ports) < max(1, len(spec.port)):
        context.spec.broken.setdefault("part", set()).add(name)
        context.incomplete = True
        return None
    return Part(
        name=name,
        maker=spec.maker,
        ports=ports,
        identifiers=spec.identifiers,
        queue=spec.queue,
        clock_hz=None if spec.clock_mhz is None else round(spec.clock_mhz * 1e6),
        transceiver_delay_ns=spec.transceiver_delay_ns,
        sample_point=spec.sample_point,
    )


def _port(
    context: Context, path: KeyPath, name: str, spec: PortSpec, part: PartSpec
) -> Port | None:
    if not spec.definitions and "message" not in spec.model_fields_set:
        context.problems.add(
            path,
            'the key "definitions" is missing; it names the definition file. A part without one '
            f"is described by [[{show_path(path)}.message]] tables, or by message = [] where it "
            "sends nothing of its own",
        )
        return None
    read = [
        _definitions(context, file, (*path, "definitions", index))
        for index, file in enumerate(spec.definitions)
    ]
    files = [d for d in read if d is not None]
    if len(files) < len(read):
        return None
    sender = _sender(context, path, spec, files)
    if sender is None:
        return None
    paper = paper_messages(context, path, spec.message, sender)
    if paper is None:
        return None
    messages = (*(m for d in files for m in d.messages), *paper)
    if draft := draft_finding(str(path[1]), messages):
        context.findings.append(draft)
    hints = tuple(d.bit_rate_hint for d in files if d.bit_rate_hint)
    return Port(
        name=name,
        files=tuple(d.file for d in files),
        sender=sender,
        bit_rates=tuple(spec.bit_rates or part.bit_rates) or hints[:1],
        data_bit_rates=tuple(spec.data_bit_rates or part.data_bit_rates),
        terminator_ohm=spec.terminator_ohm,
        messages=messages,
        versions=tuple(dict.fromkeys(d.version for d in files if d.version)),
    )


def _definitions(context: Context, file: str, path: KeyPath) -> Definitions | None:
    """A definition file read once, however many parts use it."""
    if file not in context.definitions:
        try:
            found = _loaded(context, file)
        except NoSuchFileError as error:
            context.definitions[file] = None
            near = suggestion(PureWindowsPath(file).name, error.beside, "definition file")
            if any(c in file for c in "\t\n\r\f\b\x1b"):
                near += f"; {BACKSLASHES}"
            context.problems.add(path, f'there is no file "{file}" beside the plan{near}')
        except UnreadableFileError as error:
            context.definitions[file] = None
            context.problems.add(path, f'"{one_line(file, 80)}" cannot be read: {error.reason}')
        except PlanError as error:
            context.definitions[file] = None
            context.problems.take(error)
        else:
            context.definitions[file] = found
            context.findings += found.findings
    return context.definitions[file]


def _loaded(context: Context, file: str) -> Definitions:
    """The file as named; a plan made on Windows may part folders by backslashes."""
    try:
        return context.load(context.folder / file)
    except NoSuchFileError:
        if "\\" not in file:
            raise
        return context.load(context.folder / PureWindowsPath(file).as_posix())


def _sender(
    context: Context, path: KeyPath, spec: PortSpec, files: list[Definitions]
) -> str | None:
    """The definition file's name for the part: as stated, or the only one that sends.

    A part that has none is called as the plan states, or as the plan names the part.
    """
    if not files:
        return spec.sender or str(path[1])
    messages = [m for d in files for m in d.messages]
    senders = list(dict.fromkeys(s for m in messages for s in m.senders))
    names = list(dict.fromkeys([*(n for d in files for n in d.nodes), *senders]))
    names += [r for m in messages for r in m.receivers if r not in names]
    listed = ", ".join(f'"{n}"' for n in dict.fromkeys(names)) or "none"
    where = " and ".join(Path(d.file).name for d in files)
    if spec.sender is None:
        if len(senders) == 1:
            return senders[0]
        context.problems.add(
            path, f'the key "sender" is missing; it says which node of {where} this is: {listed}'
        )
        return None
    if spec.sender not in names:
        near = suggestion(spec.sender, names, "node")
        context.problems.add((*path, "sender"), f'{where} has no node "{spec.sender}"{near}')
        return None
    return spec.sender
