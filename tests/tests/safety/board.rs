//! What the board cuts for by itself, on the software stand's board.
