"""The standard chain: which steps a correction has, in which order, and how several people share one picture.

    plate → balance → tone → saturation → skin, soften → steer

Skin, soften and steer are there for each person, and known faces between skin and soften; whatever stands before them
is what the keys read. The command line, the desk, the all-in-one effect and the benchmarks build their chains from this
file. Version 0.1.0 put tone and saturation behind the steering: what it made keeps that order,
:data:`LEVELS_LAST`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from ..kernels.arrays import Floats
from .balance import Balance
from .declare import Node, Picture
from .face import FaceMatte
from .key import SkinKey
from .matte import CombineMattes, SoftenMatte
from .steer import SteerSkin
from .tone import Cdl, ToneCurve

LIGHT: Mapping[str, Node] = MappingProxyType({"balance": Balance()})
LEVELS: Mapping[str, Node] = MappingProxyType({"tone": ToneCurve(), "saturation": Cdl(clamp=False)})
"""What the whole picture goes through, in order: nodes at rest by the ids of their steps."""

SUBJECT: Mapping[str, Node] = MappingProxyType({"skin": SkinKey(), "soften": SoftenMatte(), "steer": SteerSkin()})
"""What each person has: a key, a softened matte and a steering, at rest, by the words that begin their ids."""

REST: Mapping[str, Node] = MappingProxyType({**LIGHT, **LEVELS, **SUBJECT})
"""Every step of the chain at rest, in order."""


@dataclass(frozen=True)
class Order:
    """What the whole picture goes through before the skin is keyed, and what after it is steered, in order."""

    before: Mapping[str, Node]
    after: Mapping[str, Node]


LEVELS_FIRST = Order(MappingProxyType({**LIGHT, **LEVELS}), MappingProxyType({}))
"""The keys read the picture after its levels, and the target is reached in the final picture."""
LEVELS_LAST = Order(LIGHT, LEVELS)
"""As version 0.1.0 did it."""


@dataclass(frozen=True)
class Link:
    """One node of a chain: its id, the node, and the source or id that feeds each of its ports."""

    id: str
    node: Node
    inputs: Mapping[str, str]


@dataclass(frozen=True)
class Part:
    """One person's part of a chain.

    :ivar id: gives the id of a step from its word, such as ``skin-Ada`` from ``skin``.
    :ivar nodes: by word: those of :data:`SUBJECT`, and where there are any ``face1``, ``face2`` … with ``join``, which
        lays them over the key, ``steady`` (the matte over time), ``region`` (what the matte is limited to), and any
        number of shapes ``in1``, ``in2`` … (together another limit) and ``out1`` … (each taken away).
    """

    id: Callable[[str], str]
    nodes: Mapping[str, Node]


@dataclass(frozen=True)
class Chain:
    """A wired chain.

    :ivar links: in order. :ivar result: the id of the corrected picture. :ivar matte: of everybody's matte.
    :ivar mattes: of the matte that steers each person.
    """

    links: tuple[Link, ...]
    result: str
    matte: str
    mattes: tuple[str, ...]


def standard_chain(
    picture: Mapping[str, Node],
    people: Sequence[Part],
    source: str = "plate",
    first_wins: bool = False,
    order: Order = LEVELS_FIRST,
) -> Chain:
    """Return the chain for one or more people.

    :param picture: nodes for the whole picture by the ids of :data:`LIGHT` and :data:`LEVELS`; those left out are no
        part of the chain. :param order: whether levels stand before the keys or behind the steering.
    :param first_wins: where the mattes of two people overlap, the pixel is that of the earlier one; otherwise the
        likelier of them wins softly, and the shares of a pixel add up to at most 1.

    >>> person = Part(lambda word: word, SUBJECT)
    >>> [link.id for link in standard_chain(LIGHT, [person]).links]
    ['balance', 'skin', 'soften', 'steer']
    """
    wiring = _Wiring()
    seen = wiring.through(order.before, picture, source)
    mattes: list[str] = []
    if first_wins or len(people) == 1:
        last, matte = seen, ""
        for part in people:
            own = wiring.matte(part, seen)
            own, matte = wiring.left(part, own, matte) if matte else (own, own)
            last = wiring.steer(part, last, own)
            mattes.append(own)
    else:
        keyed = [wiring.matte(part, seen) for part in people]
        matte = wiring.joined(keyed)
        mattes = [wiring.share(part, keyed, number) for number, part in enumerate(people)]
        last = seen
        for part, own in zip(people, mattes, strict=True):
            last = wiring.steer(part, last, own)
    result = wiring.through(order.after, picture, last)
    return Chain(tuple(wiring.links), result, matte, tuple(mattes))


class _Wiring:
    """A chain that is being put together."""

    def __init__(self) -> None:
        self.links: list[Link] = []

    def add(self, id: str, node: Node, **inputs: str) -> str:
        self.links.append(Link(id, node, inputs))
        return id

    def through(self, order: Mapping[str, Node], picture: Mapping[str, Node], last: str) -> str:
        """Put those of the picture's nodes that belong here one behind the other."""
        for id in order:
            if id in picture:
                last = self.add(id, picture[id], image=last)
        return last

    def matte(self, part: Part, image: str) -> str:
        """One person's matte: keyed, softened, steadied and limited to a region."""
        last = self.add(part.id("skin"), part.nodes["skin"], image=image)
        if "join" in part.nodes:
            last = self.add(part.id("join"), part.nodes["join"], matte=last, **self.faces(part, image), image=image)
        last = self.add(part.id("soften"), part.nodes["soften"], matte=last, guide=image)
        if "steady" in part.nodes:
            last = self.add(part.id("steady"), part.nodes["steady"], matte=last, guide=image)
        if "region" in part.nodes:
            region = self.add(part.id("region"), part.nodes["region"], image=image)
            last = self.add(part.id("limit"), CombineMattes(), first=last, second=region)
        return self.shaped(part, last, image)

    def shaped(self, part: Part, matte: str, image: str) -> str:
        """A matte limited to the shapes that keep in, all of them together, without those that keep out."""
        inside = ""
        for word in (word for word in part.nodes if word.startswith("in")):
            shape = self.add(part.id(word), part.nodes[word], image=image)
            joined = CombineMattes("maximum")
            inside = self.add(part.id(f"with-{word}"), joined, first=inside, second=shape) if inside else shape
        if inside:
            matte = self.add(part.id("within"), CombineMattes(), first=matte, second=inside)
        for word in (word for word in part.nodes if word.startswith("out")):
            shape = self.add(part.id(word), part.nodes[word], image=image)
            matte = self.add(part.id(f"without-{word}"), CombineMattes("subtract"), first=matte, second=shape)
        return matte

    def faces(self, part: Part, image: str) -> dict[str, str]:
        """What all faces of a person's part tell, each joined with those before it: where it is read from."""
        told: dict[str, str] = {}
        for word, node in part.nodes.items():
            if isinstance(node, FaceMatte):
                told = {"faces": self.add(part.id(word), node, image=image, **told)}
        return told

    def steer(self, part: Part, image: str, matte: str) -> str:
        return self.add(part.id("steer"), part.nodes["steer"], image=image, matte=matte)

    def left(self, part: Part, matte: str, everybody: str) -> tuple[str, str]:
        """What those before have left of a person's matte, and the matte of everybody so far."""
        own = self.add(part.id("own"), CombineMattes("subtract"), first=matte, second=everybody)
        return own, self.add(part.id("people"), CombineMattes("maximum"), first=everybody, second=matte)

    def joined(self, mattes: Sequence[str]) -> str:
        """The mattes of all people as one."""
        last = mattes[0]
        for number, matte in enumerate(mattes[1:], start=2):
            id = "matte" if number == len(mattes) else f"matte{number}"
            last = self.add(id, CombineMattes("maximum"), first=last, second=matte)
        return last

    def share(self, part: Part, mattes: Sequence[str], number: int) -> str:
        """One person's matte times its likelihood against every other person's: together at most 1 in each pixel."""
        rivals = [*mattes[:number], *mattes[number + 1 :]]
        own = last = mattes[number]
        for count, rival in enumerate(rivals, start=1):
            end = "" if count == len(rivals) else str(count)
            likelier = self.add(part.id(f"likelier{end}"), CombineMattes("likelier"), first=own, second=rival)
            last = self.add(part.id(f"share{end}"), CombineMattes("multiply"), first=last, second=likelier)
        return last


def through(
    order: Mapping[str, Node], picture: Mapping[str, Node], image: Picture, out: Floats | None = None
) -> Picture:
    """Return a picture after those of the picture's nodes that belong to a part of the chain.

    :param order: one side of an :class:`Order`. :param picture: nodes by id; those left out change nothing.
    :param out: receives the result; where no node changes anything the picture itself is returned, and this not used.
    """
    nodes: list[Any] = [picture[id] for id in order if id in picture and not picture[id].is_identity()]
    for node in nodes:
        image = node.process(image, out=out if node is nodes[-1] else None)
    return image
