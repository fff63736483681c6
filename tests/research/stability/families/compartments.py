"""Water in parts that exchange: linear, so that whole stretches of time are solved at once.

Between two changes of the flow x' = A x + f has a matrix for a step, and the course
follows by doubling: each pass joins twice as many steps.  Salt is kept to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from tests.research.stability.families.draws import Floats
from tests.research.stability.families.handling import STEP_S

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Network:
    """Parts of the water and the flows between them.

    Attributes:
        volumes: Shares of the whole, sum 1.
        flows: [to, from], shares of the whole per second; what comes to a part leaves it.
        probe: Number of the part that the probe follows.
        nook_s: Time in which water is renewed at the probe.
    """

    volumes: Floats
    flows: Floats
    probe: int
    nook_s: float


def exchanges(count: int, pairs: list[tuple[int, int, float]]) -> Floats:
    """Return the flows of parts that exchange two by two, each as (one, other, share/s)."""
    flows = np.zeros((count, count))
    for one, other, rate in pairs:
        flows[one, other] += rate
        flows[other, one] += rate
    return flows


def _rates(network: Network) -> Floats:
    """Return the matrix of the parts, and of the water at the probe in the last row."""
    count = len(network.volumes)
    rates = np.zeros((count + 1, count + 1))
    inner = network.flows - np.diag(network.flows.sum(axis=1))
    rates[:count, :count] = inner / network.volumes[:, None]
    rates[count, network.probe] = 1.0 / network.nook_s
    rates[count, count] = -1.0 / network.nook_s
    return rates


def _step(network: Network) -> tuple[Floats, Floats]:
    """Return the matrices of one step: of the state, and of what comes in it."""
    rates = _rates(network)
    n = len(rates)
    both = np.zeros((2 * n, 2 * n))
    both[:n, :n] = rates * STEP_S
    both[:n, n:] = np.eye(n)
    halvings = max(0, int(np.ceil(np.log2(np.abs(both).sum(axis=1).max()))) + 3)
    both /= 2.0**halvings
    out = np.eye(2 * n)
    for k in range(8, 0, -1):
        out = np.eye(2 * n) + both @ out / k
    for _ in range(halvings):
        out = out @ out
    return out[:n, :n], out[:n, n:]


def _stretch(first: Floats, step: Floats, comes: Floats) -> Floats:
    """Return the states from `first` on, one more than what comes."""
    states = np.concatenate([first[None, :], comes])
    power, apart = step, 1
    while apart < len(states):
        states[apart:] += states[:-apart] @ power.T
        power = power @ power
        apart *= 2
    return states


def courses(
    states_of_flow: list[Network], which: Ints, start: float, comes: Floats
) -> tuple[Floats, Floats]:
    """Return the salinity of all parts and of the water at the probe along the grid.

    Args:
        states_of_flow: The same parts, with the pump, at rest, stirred.
        which: Number of the state of flow that lasts from each time to the next.
        start: Salinity of all water before.
        comes: [step, part]: what comes to each part between a time and the next, in
            salinity of the whole.
    """
    volumes = states_of_flow[0].volumes
    count = len(volumes)
    brings = np.zeros((len(comes), count + 1))
    brings[:, :count] = comes / volumes
    matrices = [_step(network) for network in states_of_flow]
    states = np.empty((len(which), count + 1))
    state = np.full(count + 1, start)
    edges = [0, *(np.flatnonzero(np.diff(which)) + 1).tolist(), len(which)]
    for low, high in pairwise(edges):
        step, enters = matrices[int(which[low])]
        stretch = _stretch(state, step, brings[low:high] @ enters.T)
        states[low:high] = stretch[:-1]
        state = stretch[-1]
    return states[:, :count], states[:, count]
