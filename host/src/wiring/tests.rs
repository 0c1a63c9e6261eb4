//! Wires from the demonstration sheets.
