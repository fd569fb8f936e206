//! Water activity and osmotic pressure of a dough's liquid phase.
