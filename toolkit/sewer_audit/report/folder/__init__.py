"""The folder that is handed over: notebooks run, exported, printed, packed."""
