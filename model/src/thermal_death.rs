//! Thermal death of yeast: D-values, z-values and lasting damage.
