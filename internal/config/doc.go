// Package config is the configuration of `ponderal serve`: what can be set, under which names, and what is refused.
//
// A setting comes from the environment (PONDERAL_ and its name in capitals), else from an optional JSON file (its name), else it has its
// default. What is not known is refused with the nearest name that is, so that a slip of the pen never leaves a default in force. The
// package reads neither environment nor files: cmd hands both over.
package config
