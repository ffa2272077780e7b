"""The messenger: a second process that sends messages and draws their pictures, there only while there is something to.

The notification library and the imaging library weigh a quarter of what the daemon does, and their plugins are by many
authors: what hangs, leaks or crashes there is ended with the process, and the daemon keeps watch.
"""
