//go:build linux

// Package sandbox gives each worker a project tree, a temp directory, processes and
// a network of its own, and keeps what runs there from harming anything else. It
// works on Linux alone, and does not know PHP.
//
// In come a Spec, which says which project and how it is to be seen, and the name
// of a Job. Out comes a process that does the job: Command starts this very program
// again, Main, called first in it, opens the view and runs the job in it.
//
// # Words
//
// A view is a worker's private image of the project. It is an overlay, a file system
// that shows the project at its own path and takes what is written to another place,
// in namespaces of its own; or, where the machine allows no overlay, a plain copy at
// another path. Probe finds out which.
//
// A supervisor is the process that opened a view and does a job in it. It is the
// parent, or an ancestor, of all that the tests start; when it dies, they die. In an
// overlay view it is process 1 of its own PID namespace. It comes about in two
// stages there: the first has the rights to mount and puts the layers of the overlay
// together. Where it has them only in a user namespace of its own, it becomes the second
// by exec, which has no rights but the user's.
//
// The layers are directories: the lower one is the project, the upper one has what
// differs from it, another keeps copies of what was accepted. Only the supervisor
// has them open, and no path leads to them.
//
// The pristine state is what a view goes back to: the project as it was found, with
// the files that a bootstrap wrote since, which View.Accept makes part of it. Damage is
// what differs from it, in the project's tree and in the temp directories;
// View.Repair undoes it. A swap replaces the bytes of some files, until
// View.Restore, and is no damage. A file that View.Add makes is, and so is gone after the
// next repair.
//
// Confinement is what processes are kept from: writing outside of the view,
// connecting to anything, signalling others. A Guard starts processes confined: from a
// thread that has given up its rights, and whose system calls are filtered. Some calls
// cannot be decided by numbers alone; then the kernel holds the caller and asks the
// supervisor, which makes the call for it or refuses. What
// the machine can do for that are its Abilities; PlanConfinement makes the best of
// them and says what is left open.
//
// Strays are processes that descend from the supervisor and that nobody waits for,
// whatever group or session they hide in. Remains are those that a supervisor left
// which died itself.
//
// # What must hold
//
// The project is never written, whatever the processes do. Nothing that a supervisor
// writes follows a symbolic link that they may have made. No process outlives its
// supervisor, none is overlooked by KillStrays. What cannot be put back is an error,
// and the view is to be thrown away.
package sandbox
