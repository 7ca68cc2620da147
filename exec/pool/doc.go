// Package pool hands work to processes that come and go, over NATS with JetStream, and takes
// what they find out. It knows nothing of PHP, mutants or verdicts: an item of work is a
// name, and what is found out about it is some bytes.
//
// In: from the host a [Run], which says what a worker has to have and has to agree with, the
// files for it, and the names of the items; from each worker a [Bench], which works on items.
// Out: to the host each record once, whatever happened on the way; who worked, how much of it,
// and what was given again.
//
// A run has, on the server, a key in the bucket "assay-runs" as long as it goes on, files in
// the bucket "assay-files" named by the SHA-256 of what they hold, a stream "assay-work-ID" of
// batches, each of which is there until a worker has acknowledged it, and a stream
// "assay-said-ID" of what workers said.
//
// What must hold:
//
//   - A batch is acknowledged only when the server has stored the records of all its items.
//   - An item that a worker gives back, since others have nothing to do, is given to one of these.
//   - A batch of a worker that is silent for longer than [Run.Patience] goes to another one.
//   - A record that comes twice is the same, else the run ends with both shown.
//   - Whatever the server has lost, the host makes anew from what it has no record of.
//   - Nothing that a peer says is trusted: sizes are bounded, files are what their names say,
//     and an archive writes nothing outside of its folder.
//
// Who may connect to the server is trusted with the sources, and with what runs on the machines
// of workers: that is what credentials and TLS are for, without which [Serve] and [Connect] have
// nothing to do with addresses of other machines.
package pool
