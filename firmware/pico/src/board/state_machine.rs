//! One state machine of a PIO block, as far as this board needs it.

use rp2040_hal::pac::pio0::RegisterBlock;

use super::programs::Program;
use super::registers::put;

/// Instructions that are put in by hand (encodings: RP2040 datasheet, 3.4).
pub(super) const MOV_OSR_PINS: u32 = 0xa0e0;
pub(super) const MOV_X_ALL_ONES: u32 = 0xa02b;
pub(super) const MOV_Y_ALL_ONES: u32 = 0xa04b;
pub(super) const MOV_ISR_NULL: u32 = 0xa0c3;
pub(super) const IN_PINS_2: u32 = 0x4002;
pub(super) const MOV_Y_ISR: u32 = 0xa046;

const EXEC_JMP_PIN_SHIFT: u32 = 24;
const EXEC_WRAP_TOP_SHIFT: u32 = 12;
const EXEC_WRAP_BOTTOM_SHIFT: u32 = 7;
const SHIFT_AUTOPUSH: u32 = 1 << 16;
/// OSR to the right, ISR to the left.
const SHIFT_OUT_RIGHT: u32 = 1 << 19;
const SHIFT_PUSH_SHIFT: u32 = 20;
const PIN_IN_SHIFT: u32 = 15;
const RX_EMPTY_SHIFT: u8 = 8;
const RESTART_SHIFT: u8 = 4;
const CLOCK_RESTART_SHIFT: u8 = 8;
/// Words that fit into a FIFO.
const FIFO_WORDS: u32 = 4;
/// Looks at an empty FIFO before its state machine is given up: 100 times the longest turn of any program that pushes
/// without end.
const PATIENCE: u32 = 300;

/// A program's place.
#[derive(Clone, Copy)]
pub(super) struct Placed {
    start: u8,
    bottom: u8,
    top: u8,
}

/// Puts a program into a block's memory, from a slot on. The slots must be free.
pub(super) fn place(block: &RegisterBlock, at: u8, program: &Program) -> Placed {
    for (slot, code) in program.code.iter().enumerate() {
        let is_jump = code >> 13 == 0;
        let code = if is_jump { code + u16::from(at) } else { *code };
        put!(block.instr_mem(slot + usize::from(at)), u32::from(code));
    }
    Placed { start: at, bottom: at + program.wrap.0, top: at + program.wrap.1 }
}

/// What differs between the state machines.
#[derive(Default, Clone, Copy)]
pub(super) struct Setting {
    /// First pin of `in` and `wait`.
    pub(super) pin: u8,
    /// Pin of `jmp pin`.
    pub(super) jump_pin: u8,
    /// Pushes by itself after so many bits; 0: only when told, with a threshold of 32.
    pub(super) autopush: u8,
}

/// A state machine.
#[derive(Clone, Copy)]
pub(super) struct StateMachine {
    block: &'static RegisterBlock,
    number: u8,
}

impl StateMachine {
    pub(super) const fn new(block: &'static RegisterBlock, number: u8) -> Self {
        Self { block, number }
    }

    /// Stops it, and sets it up to begin at a program's wrap target.
    pub(super) fn set_up(self, program: Placed, setting: Setting) {
        self.enable(false);
        let sm = self.block.sm(usize::from(self.number));
        put!(sm.sm_clkdiv(), 1 << 16);
        let wrap = u32::from(program.top) << EXEC_WRAP_TOP_SHIFT
            | u32::from(program.bottom) << EXEC_WRAP_BOTTOM_SHIFT;
        put!(sm.sm_execctrl(), u32::from(setting.jump_pin) << EXEC_JMP_PIN_SHIFT | wrap);
        let push = if setting.autopush == 0 {
            0
        } else {
            SHIFT_AUTOPUSH | u32::from(setting.autopush) << SHIFT_PUSH_SHIFT
        };
        put!(sm.sm_shiftctrl(), SHIFT_OUT_RIGHT | push);
        put!(sm.sm_pinctrl(), u32::from(setting.pin) << PIN_IN_SHIFT);
        let control = self.block.ctrl().read().bits();
        put!(self.block.ctrl(), control | 1 << (self.number + RESTART_SHIFT));
        self.drain();
        self.execute(u32::from(program.start.max(program.bottom)));
    }

    /// Divides its clock: in steps of 1/256.
    pub(super) fn divide(self, by_256: u32) {
        put!(self.block.sm(usize::from(self.number)).sm_clkdiv(), by_256 << 8);
        let control = self.block.ctrl().read().bits();
        put!(self.block.ctrl(), control | 1 << (self.number + CLOCK_RESTART_SHIFT));
    }

    /// Puts an instruction in.
    pub(super) fn execute(self, instruction: u32) {
        put!(self.block.sm(usize::from(self.number)).sm_instr(), instruction);
    }

    /// Lets it run, or stops it.
    pub(super) fn enable(self, on: bool) {
        let control = self.block.ctrl().read().bits() & 0xf;
        let bit = 1 << self.number;
        put!(self.block.ctrl(), if on { control | bit } else { control & !bit });
    }

    /// Whether nothing waits in its FIFO.
    #[inline(always)]
    pub(super) fn is_empty(self) -> bool {
        self.block.fstat().read().bits() & 1 << (self.number + RX_EMPTY_SHIFT) != 0
    }

    /// The oldest word in its FIFO.
    #[inline(always)]
    pub(super) fn take(self) -> u32 {
        self.block.rxf(usize::from(self.number)).read().bits()
    }

    /// Empties its FIFO, of what was there at the beginning at least.
    #[inline(always)]
    pub(super) fn drain(self) {
        for _ in 0..FIFO_WORDS {
            if !self.is_empty() {
                self.take();
            }
        }
    }

    /// A word that was pushed after this call began, of a program that pushes without end. None: it is dead.
    #[inline(always)]
    pub(super) fn fresh(self) -> Option<u32> {
        self.drain();
        for _ in 0..PATIENCE {
            if !self.is_empty() {
                return Some(self.take());
            }
        }
        None
    }

    /// Address of its FIFO, for DMA.
    pub(super) fn fifo(self) -> *const u32 {
        self.block.rxf(usize::from(self.number)).as_ptr().cast_const()
    }
}
