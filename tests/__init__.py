"""Tests. A package by name, since other projects leave a package called ``tests`` where libraries are installed."""
