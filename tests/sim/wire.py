"""A bus with some controllers on it that note what they hear."""

from choreo.frame import Frame
from choreo_sim.bus import Bus
from choreo_sim.controller import Controller
from choreo_sim.kernel import Kernel

BIT_RATE = 500_000
BIT = 2_000  # ns at 500 kbit/s


class Wire:
    """
    `nodes` controllers named a, b, c ...

    `heard[name]` holds (time, frame) of each frame heard, `seen` (time, sender, frame) of each on the wire, `errors`
    (time, sender, what) of each destroyed, `sent[name]` and `states[name]` what the controllers told of themselves.
    """

    def __init__(self, nodes: int = 3, bit_rate: int = BIT_RATE, fifo: str = "") -> None:
        self.kernel = Kernel()
        self.bus = Bus(self.kernel, bit_rate)
        self.heard: dict[str, list[tuple[int, Frame]]] = {}
        self.sent: dict[str, list[tuple[int, Frame]]] = {}
        self.states: dict[str, list[tuple[int, str]]] = {}
        self.seen: list[tuple[int, str, Frame]] = []
        self.errors: list[tuple[int, str, str]] = []
        self.bus.taps.append(lambda frame, t_ns, sender: self.seen.append((t_ns, sender, frame)))
        self.bus.error_taps.append(lambda what, t_ns, sender: self.errors.append((t_ns, sender, what)))
        self.nodes = [self._node(name, name in fifo) for name in "abcdefghij"[:nodes]]

    def _node(self, name: str, fifo: bool) -> Controller:
        heard, sent, states = self.heard.setdefault(name, []), self.sent.setdefault(name, []), []
        self.states[name] = states
        node = self.bus.attach(name, lambda frame, t_ns: heard.append((t_ns, frame)), fifo=fifo)
        node.on_sent = lambda frame, t_ns: sent.append((t_ns, frame))
        node.on_state = lambda what, t_ns: states.append((t_ns, what))
        return node

    def at(self, t_ns: int, node: Controller, *frames: Frame) -> None:
        """Let a node queue frames at a time."""
        for frame in frames:
            self.kernel.at(t_ns, node.send, frame)

    def run(self, t_ns: int = 1_000_000_000) -> None:
        """Let time pass up to `t_ns`."""
        self.kernel.run_until(t_ns)

    def order(self) -> list[str]:
        """Who got through, in order."""
        return [sender for _, sender, _ in self.seen]
