"""The commands of `relief`: in each module the words on the command line, one call, and what is printed."""
