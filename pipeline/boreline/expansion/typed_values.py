"""Numbers typed in by a person: a TOML file of inputs, each with an optional standard uncertainty (`*_sd`)."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import ndtri

from boreline.errors import CHECK_ACCESS, CHECK_TOML, InputRefused
from boreline.expansion.inputs import INPUTS, InputKind, Quantity, check_together, check_value, imply

SEED = 20240229
N_DRAWS = 20_000
_SD = "_sd"


def read_values(path: Path, *, n_draws: int = N_DRAWS) -> dict[str, Quantity]:
    """The inputs in a TOML file.

    Raises
    ------
    InputRefused
        The file cannot be read, a key is unknown, a value is nonsense, or an uncertainty has no value beside it.
    """
    try:
        document = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as failure:
        raise InputRefused(f"cannot be read ({failure.strerror})", file=path, remedy=CHECK_ACCESS) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as failure:
        raise InputRefused(f"no valid TOML ({failure})", file=path, remedy=CHECK_TOML) from None
    return typed_quantities(document, file=str(path), n_draws=n_draws)


def typed_quantities(
    document: Mapping[str, Any], *, file: str | None = None, n_draws: int = N_DRAWS
) -> dict[str, Quantity]:
    """Inputs and uncertainties from one flat mapping; see `read_values`."""
    values: dict[str, float | str | bool] = {}
    sds: dict[str, float] = {}
    for key, value in document.items():
        if key in INPUTS:
            values[key] = check_value(key, value, file=file)
        elif key.endswith(_SD) and key.removesuffix(_SD) in INPUTS:
            sds[key.removesuffix(_SD)] = _sd(key, value, file)
        else:
            raise InputRefused("unknown key", file=file, tag=key, remedy="'boreline rules' lists the inputs")
    for name in sds:
        if name not in values:
            raise InputRefused(
                f"an uncertainty without {name}", file=file, tag=name + _SD, remedy="add the value, or leave this out"
            )
        if INPUTS[name].kind is not InputKind.NUMBER:
            raise InputRefused(
                f"{name} is no number and has no uncertainty", file=file, tag=name + _SD, remedy="leave this key out"
            )
    if not values:
        raise InputRefused("no input at all", file=file, remedy="'boreline rules' lists the inputs")
    check_together(values, file=file)
    values = imply(values)

    random = np.random.default_rng(SEED)
    # One draw per equal slice of probability: a comparison with one uncertain input is then exact to 1 / n_draws.
    scores = ndtri((np.arange(n_draws) + 0.5) / n_draws)
    quantities = {}
    for name, value in values.items():
        draws = None
        if name in sds and not isinstance(value, str | bool):
            draws = np.maximum(value + sds[name] * random.permutation(scores), 0.0)
        quantities[name] = Quantity(value, draws)
    return quantities


def _sd(key: str, value: Any, file: str | None) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not (number and math.isfinite(value) and value >= 0):
        raise InputRefused(
            f"{value!r} is no standard uncertainty", file=file, tag=key, remedy="give a number of at least 0"
        )
    return float(value)
