"""Can this board be trusted? Everything it can find out about itself with the relay open, part by part.

In the spirit of IEC 60730-1 annex H, class B (from memory), for what a program
in an interpreter can reach:

    memory that does not change    program.py: CRC of every file against its listing
    memory that changes            ram_test.py: march over the buffers
    clock                          monitor_test.py: against each rail monitor's oscillator
    converters, references         converter_test.py, monitor_test.py, and here: mid supplies,
                                   die temperatures, the board's supply
    outside communication          bus_test.py, registers read back; the wire has its CRC
    outputs and their feedback     chain_test.py: both coil switches, mirror contact, latch, alerts

Not reached: processor registers, the interpreter's own code and heap, the stack.
"""

from wardenfw import bus_test, converter_test, monitor_test, scale
from wardenfw import board as pins
from wardenfw.chain_test import ChainTest
from wardenfw.registers import Registers
from wardenfw.sampler import NO_ANSWER
from wardenfw.ticks import sleep_us, ticks_diff, ticks_us

BUS_NAMES = ("bus_rails", "bus_outputs")
RAIL_NAMES = ("rail_pos", "rail_neg")
OUTPUT_NAMES = ("output_left", "output_right")
RAIL_ADDRESSES = (pins.RAIL_POS_ADDRESS, pins.RAIL_NEG_ADDRESS)
OUTPUT_ADDRESSES = (pins.OUTPUT_LEFT_ADDRESS, pins.OUTPUT_RIGHT_ADDRESS)
DIE_LOW_C, DIE_HIGH_C = -20.0, 90.0
# USB promises 4.4 V at the worst, the diode behind it takes up to 0.4; 5.5 V is the chip's most.
SUPPLY_LOW_V, SUPPLY_HIGH_V = 4.0, 5.5
SUPPLY_V_PER_COUNT = 3 * 3.3 / scale.ADC_FULL_SCALE
# Four averaged conversions of shunt and bus, twice.
SETTLE_US = 10_000


class SelfTest:
    """
    Args:
        board: board.Board.
        relay: relay.Relay, open.
        sampler: sampler.Sampler, which sets the parts up.
        ram: ram_test.RamTest.
        program: program.ProgramCheck.

    Attributes:
        parts: name -> "ok" or what is wrong, of the last run.
        figures: what was measured on the way.
        took_ms: how long the last run took.
        recovered: how often a bus had to be freed before it could be used.
    """

    def __init__(self, board, relay, sampler, ram, program):
        self._board = board
        self._sampler = sampler
        self._ram = ram
        self._program = program
        self._chain = ChainTest(board, relay, RAIL_ADDRESSES, self._feed)
        self.parts = {}
        self.figures = {}
        self.took_ms = 0
        self.recovered = 0

    def info(self):
        """Return what an INFO about the self-test says."""
        return {
            "ok": not self.wrong(),
            "parts": self.parts,
            "figures": {name: round(self.figures[name], 3) for name in self.figures},
            "took_ms": self.took_ms,
            "bus_freed": self.recovered,
        }

    def wrong(self):
        """Return "name reason" of every part that did not pass."""
        parts = self.parts
        return ["%s %s" % (name, parts[name]) for name in parts if parts[name] != "ok"]

    def run(self, power_on, whole_program):
        """Test everything; the relay is open, the scan stands still.

        Args:
            power_on: the buffers hold nothing yet.
            whole_program: read all files anew instead of taking the last pass for it.
        """
        begun = ticks_us()
        self.parts = parts = {}
        self.figures = {}
        parts["ram"] = self._ram.run(power_on, self._feed)
        for bus in (0, 1):
            parts[BUS_NAMES[bus]], freed = bus_test.lines(self._board, bus, self._sampler.attach)
            self.recovered += freed
        parts.update(self._sampler.identify())
        self._board_converter(parts)
        self._modules(parts)
        parts.update(self._chain.run([parts[name] == "ok" for name in RAIL_NAMES]))
        self.figures.update(self._chain.figures)
        if whole_program:
            self._program.run(self._feed)
        parts["program"] = self._program.result
        self.took_ms = ticks_diff(ticks_us(), begun) // 1000

    def _feed(self):
        if self._board.watchdog is not None:
            self._board.watchdog.feed()

    def _board_converter(self, parts):
        board = self._board
        die_c = scale.die_celsius(board.adc_die.read_u16())
        supply_v = board.adc_supply.read_u16() * SUPPLY_V_PER_COUNT
        self.figures["die_c"], self.figures["supply_v"] = die_c, supply_v
        parts["adc"] = "ok" if DIE_LOW_C < die_c < DIE_HIGH_C else "die temperature reads %.0f C" % die_c
        parts["supply"] = "ok"
        if not SUPPLY_LOW_V <= supply_v <= SUPPLY_HIGH_V:
            parts["supply"] = "reads %.2f V, expected %.1f to %.1f" % (supply_v, SUPPLY_LOW_V, SUPPLY_HIGH_V)

    def _modules(self, parts):
        rails_i2c, outputs_i2c = self._board.i2c
        rails = [Registers(rails_i2c, address) for address in RAIL_ADDRESSES]
        outputs = [Registers(outputs_i2c, address) for address in OUTPUT_ADDRESSES]
        for i in (0, 1):
            for name, bus, addresses in (
                (RAIL_NAMES[i], 0, RAIL_ADDRESSES),
                (OUTPUT_NAMES[i], 1, OUTPUT_ADDRESSES),
            ):
                if parts[BUS_NAMES[bus]] != "ok":
                    parts[name] = "not tested: %s came first" % BUS_NAMES[bus]
                elif parts[name] == NO_ANSWER:
                    parts[name] = bus_test.astray(self._board.i2c[bus], addresses[i], addresses)
        present = [i for i in (0, 1) if parts[RAIL_NAMES[i]] == "ok"]
        for i in (0, 1):
            self._try(parts, RAIL_NAMES[i], monitor_test.registers, rails[i])
            self._try(parts, OUTPUT_NAMES[i], self._converter, OUTPUT_NAMES[i], outputs[i])
            self._feed()
        self._clock(parts, rails)
        for i in present:
            self._try(parts, RAIL_NAMES[i], self._die, RAIL_NAMES[i], rails[i])
            # What the tests changed is set anew whatever they found, and the alert output let go.
            said = parts[RAIL_NAMES[i]]
            parts[RAIL_NAMES[i]] = "ok"
            self._try(parts, RAIL_NAMES[i], self._sampler.set_up_rail, i)
            if said != "ok":
                parts[RAIL_NAMES[i]] = said
        self._feed()
        sleep_us(SETTLE_US)

    def _try(self, parts, name, test, *arguments):
        """Let `test` say "ok" or what is wrong, unless something is known already."""
        if parts[name] != "ok":
            return
        try:
            parts[name] = test(*arguments)
        except OSError:
            parts[name] = "stopped answering"

    def _converter(self, name, part):
        said = converter_test.registers(part)
        if said != "ok":
            return said
        volts = converter_test.middle_volts(part)
        if volts is not None:
            self.figures[name + "_mid_v"] = volts
        return converter_test.judge_middle(volts)

    def _clock(self, parts, rails):
        healthy = [i for i in (0, 1) if parts[RAIL_NAMES[i]] == "ok"]
        took = [monitor_test.NEVER, monitor_test.NEVER]
        times = monitor_test.conversion_us([rails[i] for i in healthy], self._feed)
        for i, time_us in zip(healthy, times):
            took[i] = time_us
            if time_us != monitor_test.NEVER:
                self.figures[RAIL_NAMES[i] + "_conversions_ms"] = time_us / 1000
        parts["clock"], said = monitor_test.judge_clock(took)
        for i in healthy:
            parts[RAIL_NAMES[i]] = said[i]

    def _die(self, name, part):
        counts = self._board.adc_ambient.read_u16()
        ambient_c = None
        if scale.NTC_SHORT_COUNTS <= counts <= scale.NTC_OPEN_COUNTS:
            ambient_c = scale.ntc_celsius(counts)
        die_c = monitor_test.die_celsius(part)
        self.figures[name + "_die_c"] = die_c
        return monitor_test.judge_die(die_c, ambient_c)
