//! Rise curves: Gompertz, logistic, Richards, Baranyi, behind one trait.
