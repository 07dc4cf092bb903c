"""Owns the entry that hydra starts each run of a sweep from."""

from layermotion.training.sweep import main

if __name__ == "__main__":
    main()
