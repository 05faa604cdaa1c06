"""A hundred random histories; `make register-replay` runs thousands."""

from register_machine import machine

TestHistories = machine(100, 14)
