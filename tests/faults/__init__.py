"""Attacks from outside the program: kills, several at once, full disks, other people's eyes."""
