"""What is known of each Sparkplug edge node: births, aliases, order of messages, who has to be born anew.

Pure: the only clock is the time of receipt of the messages. Nothing here survives a lost connection, because
a birth may have been missed meanwhile and an alias may mean another sensor now.
"""

from __future__ import annotations

from dataclasses import dataclass, field

SEQ_LIMIT = 256
ASK_AGAIN_US = 30_000_000
"""A node that does not answer is asked again after this long."""

NodeKey = tuple[str, str]
"""Group and edge node."""


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a metric's alias stands for."""

    name: str
    datatype: int


@dataclass(slots=True)
class Node:
    """One edge node.

    Attributes:
        born: its birth has been heard and not its death.
        bd_seq: number of the connection it was born on.
        next_seq: what its next message should carry; None before the first.
        missing: sequence number -> until when it is waited for, microseconds.
        aliases: of its own metrics and its devices'. by_device: the aliases each brought ("": its own).
        types: datatype by full name, for data that leaves it out.
        asked_us: when it was last asked for its birth.
    """

    born: bool = False
    bd_seq: int | None = None
    next_seq: int | None = None
    missing: dict[int, int] = field(default_factory=dict)
    aliases: dict[int, Meaning] = field(default_factory=dict)
    by_device: dict[str, set[int]] = field(default_factory=dict)
    types: dict[str, int] = field(default_factory=dict)
    asked_us: int | None = None


class Nodes:
    """All edge nodes heard on one connection.

    Args:
        reorder_us: how long a missing message is waited for before the node is asked for its birth.
    """

    def __init__(self, reorder_us: int, max_nodes: int = 10_000) -> None:
        self._reorder_us = reorder_us
        self._nodes: dict[NodeKey, Node] = {}
        self._wanted: set[NodeKey] = set()
        self._max_nodes = max_nodes

    def forget(self) -> None:
        """A new connection: nothing that was known need be true any more."""
        self._nodes.clear()
        self._wanted.clear()

    def of(self, key: NodeKey) -> Node | None:
        """A node, known from now on; None if there are too many already."""
        node = self._nodes.get(key)
        if node is None and len(self._nodes) < self._max_nodes:
            node = self._nodes[key] = Node()
        return node

    def count(self) -> tuple[int, int]:
        """How many are (born, not born)."""
        born = sum(node.born for node in self._nodes.values())
        return born, len(self._nodes) - born

    def birth(self, key: NodeKey, bd_seq: int | None, seq: int | None) -> Node | None:
        """NBIRTH: everything known before is void; devices announce themselves after it."""
        node = self.of(key)
        if node is None:
            return None
        asked_us = node.asked_us
        node = self._nodes[key] = Node(born=True, bd_seq=bd_seq, asked_us=asked_us)
        node.next_seq = None if seq is None else (seq + 1) % SEQ_LIMIT
        self._wanted.discard(key)
        return node

    def death(self, key: NodeKey, bd_seq: int | None) -> bool:
        """NDEATH counts only for the connection that the node was last born on. Whether it did."""
        node = self._nodes.get(key)
        if node is None or not node.born or (node.bd_seq is not None and node.bd_seq != bd_seq):
            return False
        node.born = False
        node.missing.clear()
        return True

    def device_birth(self, node: Node, device: str) -> None:
        """DBIRTH: the device's aliases are given anew."""
        for alias in node.by_device.pop(device, set()):
            node.aliases.pop(alias, None)

    def announce(self, node: Node, device: str, alias: int | None, meaning: Meaning) -> None:
        """A metric of a birth."""
        node.types[meaning.name] = meaning.datatype
        if alias is not None:
            node.aliases[alias] = meaning
            node.by_device.setdefault(device, set()).add(alias)

    def in_order(self, key: NodeKey, node: Node, seq: int | None, received_us: int) -> None:
        """Note the sequence number of a message that is no NBIRTH."""
        if seq is None:
            return
        if seq in node.missing:
            del node.missing[seq]
            return
        if node.next_seq is not None and seq != node.next_seq:
            ahead = (seq - node.next_seq) % SEQ_LIMIT
            if ahead > SEQ_LIMIT // 2:  # one of before, once more
                return
            for k in range(ahead):
                node.missing[(node.next_seq + k) % SEQ_LIMIT] = received_us + self._reorder_us
        node.next_seq = (seq + 1) % SEQ_LIMIT

    def want_birth(self, key: NodeKey) -> None:
        """Its data cannot be understood without its birth."""
        self._wanted.add(key)

    def to_ask(self, now_us: int) -> list[NodeKey]:
        """Nodes to ask for a rebirth now; each at most once in `ASK_AGAIN_US`."""
        for key, node in self._nodes.items():
            if node.missing and min(node.missing.values()) <= now_us:
                node.missing.clear()
                self._wanted.add(key)
        asked = []
        for key in sorted(self._wanted):
            known = self._nodes.get(key)
            if known is None or (known.asked_us is not None and now_us - known.asked_us < ASK_AGAIN_US):
                continue
            known.asked_us = now_us
            asked.append(key)
        return asked
