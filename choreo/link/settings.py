"""
What python-can is told of a bus: from the command line, or from a section of its own configuration files.

A section is taken as python-can takes it: what it leaves out may come from the environment or the default section.
python-can is imported only when a bus is opened.
"""

import configparser
import importlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from choreo.errors import RecipeError
from choreo.link.spec import SAID_ELSEWHERE, BusSpec, suggestion


def settings_of(spec: BusSpec, bit_rate: int) -> dict[str, Any]:
    """
    Interface, channel and whatever a section says besides, without a bit rate; `bit_rate`, in bit/s, is the recipe's.

    Raises:
        RecipeError: there is no such interface or section, or the section has another bit rate.
    """
    if not spec.section:
        _look_at_interface(spec, spec.interface)
        return {"interface": spec.interface, "channel": spec.channel}
    settings = _section(spec)
    _look_at_interface(spec, str(settings.get("interface")))
    if settings.get("channel") is None:
        raise RecipeError(f"bus {spec.text!r}: the section has no channel", rule="bus-section")
    timing = settings.get("timing")
    found = settings.pop("bitrate", None) if timing is None else getattr(timing, "bitrate", None)
    if found is not None and found != bit_rate:
        raise RecipeError(
            f"bus {spec.text!r}: the section says {found} bit/s, the recipe {bit_rate} bit/s",
            rule="bus-bit-rate",
            help="All nodes of a bus share one bit rate: correct the one that is wrong, or leave the section's out.",
        )
    settings.pop("bitrate", None)
    return settings


def _section(spec: BusSpec) -> dict[str, Any]:
    import can
    from can.util import load_config, load_file_config

    try:
        written = load_file_config(section=spec.section)
        if not written:
            raise RecipeError(
                f"bus {spec.text!r}: no configuration file of python-can has a section {spec.section!r}",
                rule="bus-section",
                help=suggestion(spec.section, _sections()),
            )
        return dict(load_config(config=dict(written), context=spec.section))
    except can.CanInterfaceNotImplementedError as trouble:
        found = str(written.get("interface", written.get("bustype")))
        _look_at_interface(spec, found)
        raise RecipeError(f"bus {spec.text!r}: {trouble}", rule="bus-section") from trouble
    except (configparser.Error, OSError, UnicodeError, ValueError, TypeError) as trouble:
        raise RecipeError(
            f"bus {spec.text!r}: python-can's configuration cannot be used: {' '.join(str(trouble).split())}",
            rule="bus-section",
        ) from trouble


def _sections() -> list[str]:
    from can.util import CONFIG_FILES

    parser = configparser.ConfigParser()
    parser.read([Path(name).expanduser() for name in CONFIG_FILES])
    return parser.sections()


def _look_at_interface(spec: BusSpec, interface: str) -> None:
    import can

    if interface not in can.VALID_INTERFACES:
        raise RecipeError(
            f"bus {spec.text!r}: python-can has no interface named {interface!r}",
            rule="bus-interface",
            help=suggestion(interface, can.VALID_INTERFACES),
        )


def look_at_options(spec: BusSpec, interface: str, settings: Mapping[str, Any]) -> None:
    """
    Whether the driver of `interface` knows the options that `settings` has.

    Raises:
        RecipeError: it does not: most drivers would take any name and say nothing.
    """
    known = known_options(interface)
    if known is None:
        return
    named, mentioned = known
    for name in settings:
        if name not in named and name not in mentioned:
            raise RecipeError(
                f"bus {spec.text!r}: the interface {interface} has no option {name!r}",
                rule="bus-option",
                help=suggestion(name, named),
            )


def known_options(interface: str) -> tuple[frozenset[str], frozenset[str]] | None:
    """
    The options that the driver of an interface takes: those that its constructor names, and the words in its code that
    might be more of them, since some drivers look theirs up among what is left over. None where the driver cannot be
    loaded; opening it will say so.
    """
    from inspect import unwrap

    from can.interfaces import BACKENDS

    try:
        module, name = BACKENDS[interface]
        driver = getattr(importlib.import_module(module), name)
    except Exception:  # noqa: BLE001  a driver without its library may raise anything
        return None
    named: set[str] = set()
    mentioned: set[str] = set()
    for layer in driver.__mro__:
        code = getattr(unwrap(vars(layer).get("__init__", object)), "__code__", None)
        if code is not None:
            named.update(code.co_varnames[: code.co_argcount + code.co_kwonlyargcount])
            mentioned.update(word for word in code.co_consts if isinstance(word, str) and word.isidentifier())
    return frozenset(named - {"self", *SAID_ELSEWHERE}), frozenset(mentioned) | frozenset(SAID_ELSEWHERE)
