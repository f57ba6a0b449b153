"""At the machine: the prompt, the drop folder and the board."""
