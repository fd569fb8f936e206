//! Thermal properties of a dough from its composition (Choi and Okos 1986).
