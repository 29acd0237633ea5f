"""The model of a recorder, its tape and the hand on its trimmers. Pure and seeded."""
