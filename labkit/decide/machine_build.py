"""The machine of a run from fitted parameters, remembered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from labkit.model.assemble import machine_from_facts, parameter_names
from labkit.model.machine import Machine
from labkit.runs.facts import RunFacts

__all__ = ["MachineBuild"]

_REMEMBERED = 512


@dataclass(frozen=True, eq=False, kw_only=True)
class MachineBuild:
    """Makes the machine of a run from parameters, and remembers those made: a fit asks for the same ones often.

    Parameters
    ----------
    facts : RunFacts
        What was tested.
    """

    facts: RunFacts
    _made: dict = field(default_factory=dict, repr=False)

    def __call__(self, parameters: Mapping[str, float]) -> Machine:
        """The machine; parameters that this run does not have are passed over."""
        own = {name: parameters[name] for name in parameter_names(self.facts) if name in parameters}
        key = tuple(own.items())
        if key not in self._made:
            if len(self._made) >= _REMEMBERED:
                self._made.clear()
            self._made[key] = machine_from_facts(self.facts, own)
        return self._made[key]
