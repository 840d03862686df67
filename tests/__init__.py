"""Tests. This is a package, since other projects install a package called ``tests`` beside the libraries."""
