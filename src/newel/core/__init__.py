"""The plain data and words every other room speaks: units, frames, motion, jobs, plans, findings, errors."""
