//! Rate against temperature: cardinal-temperature, square-root and Arrhenius laws.
