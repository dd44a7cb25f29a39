"""Store what the headers of the OpenFX standard define in standard.json, which the host and the tests go by.

    python tests/ofx_host/store_standard.py FOLDER_OF_HEADERS "VERSION AND COMMIT"

Names, types, numbers and the order of functions are stored, no code. Whoever raises the version looks at the changes.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

STORED = Path(__file__).with_name("standard.json")
_COMMENT = re.compile(r"/\*.*?\*/|//[^\n]*", re.S)


def _names(text: str) -> dict[str, str]:
    return dict(re.findall(r'^[ \t]*#define[ \t]+(k\w+)[ \t]+"([^"]*)"', text, re.M))


def _numbers(text: str) -> dict[str, int]:
    """Statuses and the members of enumerations."""
    numbers = {n: int(v) for n, v in re.findall(r"#define (kOfxStat\w+)\s+\(\(int\)\s*(\d+)\)", text)}
    numbers |= {n: int(v) for n, v in re.findall(r"#define (kOfxStat\w+)\s+(\d+)\s", text)}
    for body in re.findall(r"typedef enum \w+\s*\{(.*?)\}", _COMMENT.sub("", text), re.S):
        following = 0
        for member in filter(None, (part.strip() for part in body.split(","))):
            name, _, value = (word.strip() for word in member.partition("="))
            if value:
                following = eval(value, {"__builtins__": {}}, numbers)
            numbers[name] = following
            following += 1
    return numbers


def _members(lines: str) -> list[str]:
    return re.findall(r"^\s*-\s+\"?([\w.]+)\"?", lines, re.M)


def _properties(text: str, names: dict[str, str]) -> dict[str, dict]:
    """The ``@propdef`` of each property, which stands in the comment before its name."""
    found = {}
    for comment, name in re.findall(r"/\*\*((?:(?!\*/).)*?@propdef(?:(?!\*/).)*?)\*/\s*#define (k\w+)", text, re.S):
        definition = comment.partition("@propdef")[2]
        type_ = re.search(r"type: *(.+)", definition)
        size = re.search(r"dimension: *(\w+)", definition)
        values = definition.partition("values:")[2].partition("introduced")[0]
        since = re.search(r'introduced: "?([\d.]+)', definition)
        found[names[name]] = {
            "type": type_[1].strip() if type_ else "",
            "dimension": 0 if not size or size[1] == "N" else int(size[1]),
            **({"values": _members(values)} if values else {}),
            **({"introduced": since[1]} if since else {}),
        }
    return found


def _actions(text: str, names: dict[str, str]) -> dict[str, dict]:
    found = {}
    for comment, name in re.findall(r"/\*\*((?:(?!\*/).)*?@actiondef(?:(?!\*/).)*?)\*/\s*#define (k\w+)", text, re.S):
        given, _, answer = comment.partition("@actiondef")[2].partition("outArgs:")
        if name in names:
            found[names[name]] = {"in": _members(given), "out": _members(answer)}
    return found


def _sets(text: str) -> dict[str, dict]:
    groups, found = {}, {}
    for name, body in re.findall(r"@propsetdef (\w+)(.*?)\*/", text, re.S):
        groups[name] = re.findall(r"- (\w+)( \| write=host)?", body)
    for name, access, body in re.findall(r"@propset (\w+)\s+write: (\w+)\s+props:(.*?)\*/", text, re.S):
        properties: dict[str, str] = {}
        for item, extra in re.findall(r"- (\w+)([^\n]*)", body):
            members = groups[item.removesuffix("_REF")] if item.endswith("_REF") else [(item, extra)]
            for member, more in members:
                properties[member] = "host" if "write=host" in more else access
        found[name] = properties
    return found


def _suites(text: str) -> dict[str, list[str]]:
    suites = {}
    for name, body in re.findall(r"typedef struct (\w+Suite\w*)\s*\{(.*?)\}\s*\w+\s*;", _COMMENT.sub("", text), re.S):
        suites[name] = re.findall(r"\(\s*\*\s*(\w+)\s*\)\s*\(", body)
    return suites


def _spaces(header: str, configuration: str) -> dict[str, dict]:
    """The colour spaces of the basic and core styles; those of cameras belong to a fuller one."""
    aliases = {}
    for block in configuration.split("!<ColorSpace>")[1:]:
        name = re.search(r"^\s*name: (.+)$", block, re.M)
        others = re.search(r"^\s*aliases: \[(.*)\]$", block, re.M)
        words = [name[1].strip()] + ([w.strip() for w in others[1].split(",")] if others else [])
        for word in words:
            aliases[word] = [other for other in words if other != word]
    roles = dict(re.findall(r"^  (\w+): (.+)$", configuration.partition("\nroles:")[2].partition("\n\n")[0], re.M))
    spaces = {}
    for name, value in re.findall(r'#define (kOfxColourspace\w+) "([^"]*)"', header):
        flags = dict(re.findall(rf"#define {name}(IsData|IsBasic|IsCore|IsDisplay) (true|false)", header))
        if flags.get("IsCore") != "true":
            continue
        texts = dict(re.findall(rf'#define {name}(Label|Encoding) "([^"]*)"', header))
        spaces[value] = {
            "label": texts.get("Label", ""),
            "encoding": texts.get("Encoding", ""),
            **{flag[2:].lower(): truth == "true" for flag, truth in flags.items()},
            **({"role of": roles[value]} if value in roles else {}),
            "aliases": aliases.get(roles.get(value, value), []),
        }
    return spaces


def main(folder: Path, version: str) -> None:
    headers = {path.name: path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.h"))}
    text = "\n".join(headers.values())
    native = next(name for name in headers if name.startswith("ofx-native"))
    spaces = _spaces(headers[native], (folder / native).with_suffix(".ocio").read_text(encoding="utf-8"))
    names = {
        name: value
        for name, value in _names(text).items()
        if not name.startswith("kOfxColourspace") or (value in spaces and not name.endswith(("Label", "Encoding")))
    }
    headers_of = {name: header for header, text_ in headers.items() for name in _names(text_)}
    values = {name: {"value": value, "header": headers_of[name]} for name, value in names.items()}
    stored = {
        "standard": "OpenFX",
        "version": version,
        "source": "the headers of the OpenFX standard (Academy Software Foundation), names and constants; no cameras",
        "names": {n: values[n] for n in sorted(values)},
        "per clip": sorted(set(re.findall(r"\b(OfxImageClipProp\w+_)(?!\w)", text))),
        "numbers": _numbers(text),
        "properties": dict(sorted(_properties(text, names).items())),
        "actions": _actions(text, names),
        "sets": _sets(text),
        "suites": _suites(text),
        "colour spaces": spaces,
    }
    STORED.write_text(_lines(stored), encoding="utf-8")


def _lines(stored: dict) -> str:
    """One line an entry, so that a change of the standard reads well."""

    def part(value: object) -> str:
        if not isinstance(value, dict):
            return json.dumps(value, ensure_ascii=False)
        entries = (f"  {json.dumps(k)}: {json.dumps(v, ensure_ascii=False)}" for k, v in value.items())
        return "{\n" + ",\n".join(entries) + "\n }"

    return "{\n" + ",\n".join(f" {json.dumps(key)}: {part(value)}" for key, value in stored.items()) + "\n}\n"


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2])
