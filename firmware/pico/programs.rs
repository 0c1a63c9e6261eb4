//! The PIO programs. Assembled by `build.rs`: the image holds their words and no assembler.
//!
//! A jump table indexed by the old and the new state of both phases, entered by `mov pc, isr`, is the well-known way to
//! count quadrature in a PIO (Raspberry Pi, *pico-examples*, `pio/quadrature_encoder`, BSD-3-Clause). What is different
//! here: steps up and steps down are counted apart, in X and in Y, so that a table entry is one instruction and no step
//! takes longer than nine cycles; and both counts leave in one word.

use pio::{RP2040_MAX_PROGRAM_SIZE, pio_asm};

pub(crate) type Program = pio::Program<RP2040_MAX_PROGRAM_SIZE>;

/// Counts both phases of the encoder. X falls by one with each step up (A leads B), Y with each step down; the low 16
/// bits of both leave together whenever there is room: X above Y.
///
/// Eight cycles a turn, nine with a step: every edge is counted when edges are at least nine cycles (72 ns) apart.
///
/// `jmp x--` falls through to the next slot when X is zero, once in 2^32 steps. That is harmless in slots 4 and 14
/// alone, whose next slot only goes on; so all steps are done there.
///
/// A change of both phases at once is no step. It raises flag 0, which stays up until the processor takes it down.
pub(crate) fn count() -> Program {
    pio_asm!(
        ".origin 0",
        //             old BA, new BA
        "    jmp update     ; 00 00",
        "    jmp up         ; 00 01",
        "    jmp down       ; 00 10",
        "    jmp illegal    ; 00 11",
        "down:",
        "    jmp y-- update ; 01 00",
        "    jmp update     ; 01 01",
        "    jmp illegal    ; 01 10",
        "    jmp up         ; 01 11",
        "    jmp up         ; 10 00",
        "    jmp illegal    ; 10 01",
        "    jmp update     ; 10 10",
        "    jmp down       ; 10 11",
        "    jmp illegal    ; 11 00",
        "    jmp down       ; 11 01",
        "up:",
        "    jmp x-- update ; 11 10",
        ".wrap_target",
        "update:",
        "    in x, 16       ; 11 11, and where all come together",
        "    in y, 16",
        "    push noblock   ; leaves ISR empty or untouched; the next sets it anyway",
        "    out isr, 2     ; the old state",
        "    in pins, 2     ; the new one",
        "    mov osr, isr   ; becomes the old one of the next turn",
        "    mov pc, isr",
        "illegal:",
        "    irq nowait 0",
        ".wrap",
    )
    .program
}

/// Counts likewise, and pushes a count only if the index was high one cycle before the phases were taken. The FIFO drops
/// what does not fit: the first word after it was empty is the count at the first look with the index high, however
/// late the processor fetches it.
///
/// Looking at the index before the phases, and not after, makes the word exact where the index rises together with a
/// phase: the count includes that edge.
///
/// How it knows when to push: `push iffull` needs 32 bits shifted in. With the index high there are 2 + 2 + 16 + 15;
/// with the index low, `mov isr, isr` forgets the first four (RP2040 datasheet, 3.4.8.2: the shift count is reset).
///
/// Ten cycles at most. There is no cycle to spare for detours around the fall-through at zero: slots 1, 7 and 13 can slip
/// by one step in 2^32. The board compares both counters whenever the shaft rests on the index, and starts this one anew
/// long before.
pub(crate) fn latch() -> Program {
    pio_asm!(
        ".origin 0",
        "    jmp update     ; 00 00",
        "    jmp x-- update ; 00 01",
        "    jmp y-- update ; 00 10",
        "    jmp update     ; 00 11",
        "    jmp y-- update ; 01 00",
        "    jmp update     ; 01 01",
        "    jmp update     ; 01 10",
        "    jmp x-- update ; 01 11",
        "    jmp x-- update ; 10 00",
        "    jmp update     ; 10 01",
        "    jmp update     ; 10 10",
        "    jmp y-- update ; 10 11",
        "    jmp update     ; 11 00",
        "    jmp y-- update ; 11 01",
        "    jmp x-- update ; 11 10",
        ".wrap_target",
        "update:",
        "    in x, 16",
        "    in y, 15",
        "    push iffull noblock",
        "    out isr, 2",
        "    jmp pin high",
        "    in pins, 2",
        "    mov osr, isr",
        "    mov isr, isr",
        "    mov pc, isr",
        "high:",
        "    in pins, 2",
        "    mov osr, isr",
        "    mov pc, isr",
        ".wrap",
    )
    .program
}

/// Pushes a word, of no meaning, whenever a phase has changed. DMA answers each with a time stamp.
pub(crate) fn edge() -> Program {
    pio_asm!(
        "changed:",
        "    mov y, x",
        "    push noblock",
        ".wrap_target",
        "    mov isr, null",
        "    in pins, 2",
        "    mov x, isr",
        "    jmp x!=y changed",
        ".wrap",
    )
    .program
}

/// Counts X down and pushes it whenever the index rises. DMA answers each with a time stamp.
pub(crate) fn rising() -> Program {
    pio_asm!(
        ".wrap_target",
        "    wait 0 pin 0",
        "    wait 1 pin 0",
        "    jmp x-- on     ; goes on either way",
        "on:",
        "    mov isr, x",
        "    push noblock",
        ".wrap",
    )
    .program
}

/// Pushes A, B and Z as bits 0, 1 and 2, once in 32 cycles of its divided clock.
pub(crate) fn lines() -> Program {
    pio_asm!(".wrap_target", "    in pins, 3 [31]", ".wrap",).program
}
