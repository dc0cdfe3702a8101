// Package config hides the configuration file: its format, its defaults, its
// place on each operating system, and how to say what is wrong with it.
//
// Three rules hold:
//
//   - A configuration that loads is valid. Nothing is guessed or corrected in
//     silence: an unknown key would otherwise be a setting that the user
//     believes in and that nobody reads.
//   - Every complaint names file, line and column, what is wrong and what is
//     expected, and all complaints about a file are made at once.
//   - [Load] never touches a working folder. The drive that holds it may well be
//     unplugged, and that is no mistake in the file. [Config.Check] looks.
package config
