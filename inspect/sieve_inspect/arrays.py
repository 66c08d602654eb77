"""Array types of the measuring code."""

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Float32 = NDArray[np.float32]
Bool = NDArray[np.bool_]
Index = NDArray[np.intp]
