"""Plan: what a set-up can do and what it asks for, before anything is bought: closed forms alone."""
