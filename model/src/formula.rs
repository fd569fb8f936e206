//! Baker's percentages, kinds of ingredient, yeast equivalents, and what a formula does to the rate.
