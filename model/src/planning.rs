//! Planning: backwards from the table, the oven light, the fridge, and the reader's table.
