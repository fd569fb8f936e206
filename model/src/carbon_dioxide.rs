//! The carbon dioxide budget of a dough: why it lies still before it rises.
