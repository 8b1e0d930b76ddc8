"""`python -m bmslogs` is the command line."""

from bmslogs.faces.command import main

if __name__ == "__main__":
    main()
