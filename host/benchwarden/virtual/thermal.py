"""Heat from junction to case to heatsink to air, with the slow companions of the heatsink.

A ladder of three heat capacities: every device has its own junction and case,
all of them share one heatsink. Each node relaxes exponentially towards what its
neighbours impose during the step, and the heat that left one node enters the
next, so energy balances to rounding whatever the step is.

Not modelled: heat spreading inside the sink (one temperature), convection that
improves with temperature (the sink's thermal resistance is constant), radiation.
"""

from __future__ import annotations

import math


class HeatPath:
    """Temperatures of one channel, Celsius.

    Attributes:
        junction_c, case_c: of every output device (they are alike).
        sink_c: heatsink under the devices.
        spreader_c: the bias spreader's sensing junction.
        sensor_c: what a sensor screwed to the sink has come to.
        heat_in_j, heat_out_j: heat put in and heat given to the air so far.
    """

    __slots__ = (
        "_a_case",
        "_a_junction",
        "_a_sensor",
        "_a_sink",
        "_a_spreader",
        "_dt_s",
        "_inv_dt",
        "c_case",
        "c_junction",
        "c_sink",
        "case_c",
        "coupling",
        "devices",
        "heat_in_j",
        "heat_out_j",
        "junction_c",
        "rth_cs",
        "rth_jc",
        "rth_sa",
        "sensor_c",
        "sensor_lag_s",
        "sink_c",
        "spreader_c",
        "spreader_lag_s",
    )

    def __init__(
        self,
        *,
        devices: int,
        rth_jc: float,
        c_junction: float,
        rth_cs: float,
        c_case: float,
        rth_sa: float,
        c_sink: float,
        coupling: float,
        spreader_lag_s: float,
        sensor_lag_s: float,
        ambient_c: float,
    ) -> None:
        self.devices = devices
        self.rth_jc = rth_jc
        self.c_junction = c_junction
        self.rth_cs = rth_cs
        self.c_case = c_case
        self.rth_sa = rth_sa
        self.c_sink = c_sink
        self.coupling = coupling
        self.spreader_lag_s = spreader_lag_s
        self.sensor_lag_s = sensor_lag_s
        self.junction_c = self.case_c = self.sink_c = self.spreader_c = self.sensor_c = ambient_c
        self.heat_in_j = self.heat_out_j = 0.0
        self._dt_s = -1.0
        self.changed()

    def changed(self) -> None:
        """Take note that a resistance, capacity or lag was changed."""
        self._dt_s = -1.0

    def _prepare(self, dt_s: float) -> None:
        self._dt_s = dt_s
        self._inv_dt = 1.0 / dt_s
        self._a_junction = math.exp(-dt_s / (self.rth_jc * self.c_junction))
        self._a_case = math.exp(-dt_s / (self.rth_cs * self.c_case))
        self._a_sink = math.exp(-dt_s / (self.rth_sa * self.c_sink))
        self._a_spreader = math.exp(-dt_s / self.spreader_lag_s)
        self._a_sensor = math.exp(-dt_s / self.sensor_lag_s)

    def stored_j(self, ambient_c: float) -> float:
        """Return the heat held above ambient_c by junctions, cases and sink, joules."""
        each = self.c_junction * (self.junction_c - ambient_c) + self.c_case * (self.case_c - ambient_c)
        return self.devices * each + self.c_sink * (self.sink_c - ambient_c)

    def step(self, dt_s: float, device_w: float, sink_w: float, ambient_c: float) -> None:
        """Advance by dt_s.

        Args:
            device_w: heat in each device's junction, watts.
            sink_w: heat that enters the sink elsewhere, watts.
        """
        if dt_s != self._dt_s:
            self._prepare(dt_s)
        inv_dt = self._inv_dt
        case = self.case_c
        old = self.junction_c
        end = case + device_w * self.rth_jc
        self.junction_c = new = end + (old - end) * self._a_junction
        flow = device_w - self.c_junction * (new - old) * inv_dt
        sink = self.sink_c
        end = sink + flow * self.rth_cs
        self.case_c = new = end + (case - end) * self._a_case
        flow = self.devices * (flow - self.c_case * (new - case) * inv_dt) + sink_w
        end = ambient_c + flow * self.rth_sa
        self.sink_c = new = end + (sink - end) * self._a_sink
        self.heat_in_j += (self.devices * device_w + sink_w) * dt_s
        self.heat_out_j += flow * dt_s - self.c_sink * (new - sink)
        end = ambient_c + self.coupling * (new - ambient_c)
        self.spreader_c = end + (self.spreader_c - end) * self._a_spreader
        self.sensor_c = new + (self.sensor_c - new) * self._a_sensor
