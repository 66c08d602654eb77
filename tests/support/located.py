"""The lattice of a picture that is given as an array."""

import numpy as np

from sieve_inspect.lattice.search import Lattice, find_lattice
from sieve_inspect.measurement.scan_task import scan_of_array
from sieve_inspect.workers.shared_work import SharedWork


def located(light: np.ndarray) -> Lattice:
    """The openings of linear light (h, w) from 0 to 1."""
    source = scan_of_array(np.clip(light, 0, 1))
    with SharedWork.of(source, process=False) as work:
        return find_lattice(source, "linear", work)[1]
