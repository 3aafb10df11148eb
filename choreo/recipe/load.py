"""A recipe from its file: read, merged with the machine file, checked as far as no drive is needed for it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from choreo.diagnostic import Level, Mark, Refused
from choreo.recipe.declared import Groups, check_declared, spread_homing, spread_out
from choreo.recipe.files import dialect_file, machine_tree, plain_name
from choreo.recipe.flow_references import check_taken
from choreo.recipe.input_referring import check_inputs, compare_inputs
from choreo.recipe.kept import BY_NAME, OF_THE_MACHINE, is_machine, only
from choreo.recipe.model import Limits, Recipe, Unhomed
from choreo.recipe.parameters import Values, check_uses, set_parameters
from choreo.recipe.reading import EnoughError, P, Reading
from choreo.recipe.referring import Steps, check_length
from choreo.recipe.scalars import ParameterRef
from choreo.recipe.sections import (
    MACHINE_KEYS,
    RECIPE_KEYS,
    Sections,
    known_keys,
    machine_sections,
    read_interlocks,
    recipe_sections,
    value_sections,
)
from choreo.recipe.tighten import MACHINES_OWN, OVERLAID, REQUIRED, Merging, compare, overlay
from choreo.recipe.version import check_version
from choreo.text.memory import collecting_later
from choreo.text.source import read_text
from choreo.text.tree import Branch, Text


def load(path: str | Path, overrides: Mapping[str, str] | None = None) -> Recipe:
    """
    Read a recipe and the machine file that it names, with the parameters in `overrides` set (`{"stroke": "600 mm"}`).

    Raises Refused with every finding of the reading; with one alone when the recipe is no readable YAML, or written in
    another version of the language.
    """
    reading = Reading()
    with collecting_later():
        try:
            return _Loading(Path(path), reading).recipe(overrides or {})
        except EnoughError:
            raise reading.refused() from None


def load_machine(path: str | Path) -> Recipe:
    """
    The machine of a recipe, or of a machine file itself: a recipe without steps. What else is wrong with a recipe, its
    steps, its positions, its homing, keeps nobody from its machine; where what it adds to its machine file is wrong,
    the machine file alone holds.

    Raises Refused with every finding about bus, axes, pairs or limits.
    """
    refused: Refused | None = None
    for kept in (OF_THE_MACHINE, BY_NAME):
        reading = Reading()
        try:
            return _Loading(Path(path), reading, kept).recipe({})
        except EnoughError:
            refused = refused or reading.refused()
        except Refused as found:
            refused = refused or found
    assert refused is not None
    raise refused


class _Loading:
    """
    One call of `load`. `machine` is the tree of the machine file, None where there is none or it cannot be read. With
    `kept` nothing is looked at but these keys, and a machine file may stand in the place of a recipe.
    """

    def __init__(self, path: Path, reading: Reading, kept: tuple[str, ...] | None = None) -> None:
        self.path = path
        self.reading = reading
        self.kept = kept
        source = read_text(path)
        tree = self.reading.compose(source)
        if tree is None or not check_version(tree, self.reading):
            raise self.reading.refused()
        self.tree: Branch = tree if kept is None or is_machine(tree) else only(tree, kept)
        self.machine: Branch | None = None
        self.machine_path: Path | None = None
        self.named = self.reading.word(tree, "machine")
        if self.named is not None:
            self._read_machine(self.named)
        if kept is None:
            known_keys(tree, RECIPE_KEYS, self.reading, machine=False)
        elif is_machine(tree):
            known_keys(tree, MACHINE_KEYS, self.reading, machine=True)
            self.tree = only(tree, OF_THE_MACHINE)

    def _read_machine(self, named: Text) -> None:
        found = machine_tree(named, self.path, self.reading)
        if found is None:
            return
        self.machine_path, self.machine = found
        if not check_version(self.machine, self.reading):
            raise self.reading.refused()
        known_keys(self.machine, MACHINE_KEYS, self.reading, machine=True)
        if self.kept is not None:
            self.machine = only(self.machine, OF_THE_MACHINE)

    def recipe(self, overrides: Mapping[str, str]) -> Recipe:
        reading, tree = self.reading, self.tree
        theirs = machine_sections(self.machine, reading) if self.machine is not None else Sections()
        own = machine_sections(self._combined(), reading)
        own.interlocks = self._interlocks(theirs, own)
        if self.kept is None:
            recipe_sections(tree, own, reading)
        else:
            value_sections(self._with_used_parameters(), own, reading)
        self._compare(theirs, own)
        values = set_parameters(own.parameters, overrides, reading)
        machine_file = str(self.machine_path) if self.machine_path else None
        check_uses(own.parameters, own.names["parameters"], values, machine_file, reading)
        groups = self._references(own, theirs)
        limits = self._limits(Limits, own.limits, theirs.limits, own, groups, values)
        unhomed = self._limits(Unhomed, own.unhomed, theirs.unhomed, own, groups, values)
        dialects = self._dialects(own)
        title, name, simulated = self._words()
        if not reading.sound or title is None or own.bus is None:
            raise reading.refused()
        return Recipe(
            path=self.path,
            title=title,
            name=name or title,
            place=tree.span,
            bus=own.bus,
            axes=own.axes,
            pairs=own.pairs,
            gathered=groups.gathered(),
            limits=limits,
            unhomed=unhomed,
            homing=own.homing,
            homing_order=own.homing_order,
            parameters=own.parameters,
            values=values.quantities,
            positions=own.positions,
            steps=own.steps,
            closing=own.closing,
            sequences=own.sequences,
            called=own.called,
            simulated=simulated,
            machine_path=self.machine_path,
            dialect_files=dialects,
            hashes=reading.hashes,
            parameter_texts={name: value.text() for name, value in values.quantities.items()},
            sources=reading.sources,
            warnings=tuple(finding for finding in reading.findings if finding.level is not Level.ERROR),
            inputs=own.inputs,
            outputs=own.outputs,
            interlocks=own.interlocks,
            required=own.required,
        )

    def _with_used_parameters(self) -> Branch:
        """The recipe's tree without the parameters that nothing refers to: they may be wrong."""
        used = {amount.given.name for amount, _ in self.reading.uses if isinstance(amount.given, ParameterRef)}
        declared = self.reading.mapping(self.tree, "parameters")
        kept = {key: value for key, value in declared.items() if key in used}
        return self.tree.like({**self.tree, Text("parameters"): declared.like(kept)}) if declared else self.tree

    def _interlocks(self, theirs: Sections, own: Sections) -> tuple[Text, ...]:
        """The machine's, and what the recipe adds to them; none can be taken away."""
        if not theirs.interlocks:
            return own.interlocks
        added = read_interlocks(self.tree, self.reading)
        return (*theirs.interlocks, *(name for name in added if name not in theirs.interlocks))

    def _combined(self) -> Branch:
        """The recipe's tree with the machine's beneath it; limits stay the recipe's, they are compared by axis."""
        if self.machine is None:
            return self.tree
        combined: dict[Text, object] = {}
        for key, value in self.machine.items():
            own = self.tree.get(key) if key in OVERLAID else None
            if key not in REQUIRED:
                combined[key] = value if own is None else overlay(value, own)
        for key, value in self.tree.items():
            if key in MACHINES_OWN:
                headline = f"`{key}` belongs to the machine file that this recipe names"
                help = "Delete it here, or change the machine file."
                self.reading.error("changes-the-machine", headline, key.span, help=help)
            elif key not in combined:
                combined[key] = value
        return self.tree.like(combined)

    def _compare(self, theirs: Sections, own: Sections) -> None:
        if self.machine is None:
            return
        if theirs.bus is not None and own.bus is not None:
            compare(theirs.bus, own.bus, self.reading)
        for name, pair in theirs.pairs.items():
            if name in own.pairs:
                compare(pair, own.pairs[name], self.reading)
        for name, members in theirs.groups.items():
            span = own.groups.get(name, members)[0].span
            if own.groups.get(name, members) != members:
                headline = f"the group `{name}` is not what the machine file says"
                others = [Mark(members[0].span, "the machine")]
                self.reading.error("changes-the-machine", headline, span, others=others)
        compare_inputs(theirs, own, self.reading)
        for name, homing in theirs.homing.items():
            if name in own.homing:
                compare(homing, own.homing[name], self.reading)

    def _references(self, own: Sections, theirs: Sections) -> Groups:
        """Look at everything that is named."""
        self._presence(own)
        groups = Groups(own, self.reading)
        check_declared(own, groups, self.reading)
        for name in (*theirs.limits, *theirs.unhomed):
            groups.group(name)
        check_inputs(own, groups, self.reading)
        spread_homing(own, groups, self.reading)
        for name, homing in spread_out(theirs.homing, groups).items():
            if name in own.homing:  # a name of the recipe's may stand before the machine's group or `all`
                compare(homing, own.homing[name], self.reading)
        steps = Steps(own, groups, self.reading)
        steps.check(own.steps)
        steps.check(own.closing)
        for sequence in own.sequences.values():
            steps.check(sequence.steps)
        check_taken(own, self.reading)
        uncalled = [sequence.steps for name, sequence in own.sequences.items() if name not in own.called]
        for written in ((*own.steps, *own.closing), *uncalled):
            check_length(written, self.reading)
        return groups

    def _presence(self, own: Sections) -> None:
        """The bus and the axes must be somewhere."""
        if self.named is not None and self.machine is None:
            return
        tree = self.tree if self.machine is None else self.machine
        for section in ("bus", "axes"):
            if tree.key(section) is None:
                owner = "the machine file" if self.machine is not None else "the recipe"
                help = f"Add `{section}:`" + (
                    "." if self.machine is not None else ", or name a machine file with `machine:`."
                )
                self.reading.error("missing-key", f"{owner} has no `{section}`", tree.span, help=help)
        if own.names["axes"] == () and isinstance(tree.get(Text("axes")), Branch):
            self.reading.error("empty-mapping", "`axes` declares no axis", tree.span)

    def _limits(
        self,
        cls: type[P],
        own: Mapping[Text, P],
        theirs: Mapping[Text, P],
        all: Sections,
        groups: Groups,
        values: Values,
    ) -> dict[str, P]:
        """The limits of every axis; when nothing else is wrong, none may be lacking."""
        merging = Merging(all.axes, values, self.reading)
        merged: dict[str, P] = {}
        for axis in all.axes:
            here = [entry for name, entry in own.items() if axis in groups.behind(name)]
            there = [entry for name, entry in theirs.items() if axis in groups.behind(name)]
            merged[str(axis)] = merging.merged(cls, there, here, axis)
        if self.reading.sound:
            section = "limits" if issubclass(cls, Limits) else "unhomed"
            for axis in all.axes:
                self._complete(
                    section, axis, [name for name in REQUIRED[section] if getattr(merged[axis], name) is None]
                )
        return merged

    def _complete(self, section: str, axis: Text, lacking: list[str]) -> None:
        if lacking:
            listed = " and ".join(f"`{name}`" for name in lacking)
            help = f"Add {listed} under `{section}:`, for the axis, its pair or `all`."
            self.reading.error("limit-missing", f"`{axis}` has no {listed} under `{section}`", axis.span, help=help)

    def _dialects(self, own: Sections) -> dict[str, Path]:
        found: dict[str, Path] = {}
        for axis in own.axes.values():
            path = dialect_file(axis.dialect, self.path.parent, self.reading)
            if path is not None:
                found[str(axis.dialect)] = path
        return found

    def _words(self) -> tuple[Text | None, Text | None, Text | None]:
        """Title, name of the machine, its simulated truth."""
        source = self.tree if self.machine is None else self.machine
        words = self.reading.word(self.tree, "title"), self.reading.word(source, "name")
        if self.kept is not None:
            words = words[0] or words[1] or Text(self.path.stem), words[1]
        for key, tree, owner in (("title", self.tree, "the recipe"), ("name", self.machine, "the machine file")):
            if tree is not None and tree.key(key) is None and self.kept is None:
                self.reading.error("missing-key", f"{owner} has no `{key}`", tree.span, help=f"Add `{key}:`.")
        simulated = self.reading.word(source, "simulated")
        if simulated is not None:
            plain_name(simulated, "simulated", self.reading)
        return *words, simulated
