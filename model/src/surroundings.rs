//! What the air will do next: a mean-reverting room, a box approaching its plateau, an oven with its light on.
