//! What past bakes teach: the house's and each dough's parameters, with partial pooling.
