package pool

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
)

// protocol is the number of this way to talk. Hosts and workers of different ones have nothing
// to do with each other.
const protocol = 2

// A Run is what a host has to give out.
type Run struct {
	Protocol int           `json:"protocol"`
	ID       string        `json:"id"`
	Name     string        `json:"name"`     // for people
	Host     string        `json:"host"`     // likewise
	Patience time.Duration `json:"patience"` // a batch of a worker that is silent for so long goes to another
	Files    []File        `json:"files"`    // what a worker has to have, in the order in which they were given
}

// A File is in the object store under the SHA-256 of its bytes.
type File struct {
	Role string `json:"role"` // what it is for the worker
	Sum  string `json:"sum"`  // hexadecimal
	Size int64  `json:"size"`
}

// batch is a message of a host.
type batch struct {
	Number int      `json:"number"`
	Items  []string `json:"items"`
}

// wanted is a message of a host to the workers, and asks who has a batch for some of its items
// back. It is stored nowhere: one that is lost is said again.
type wanted struct {
	Batch int `json:"batch"`
	Most  int `json:"most"` // items
}

// A Record is what a worker has found out about an item.
type Record struct {
	Item string          `json:"item"`
	Data json.RawMessage `json:"data"`
}

// said is a message of a worker.
type said struct {
	Worker  string   `json:"worker"`
	Batch   int      `json:"batch"`             // 0: it is about none
	Given   int      `json:"given"`             // the batch was given so often
	Records []Record `json:"records,omitempty"` // some of the batch
	Done    bool     `json:"done,omitempty"`    // these were the last
	Idle    bool     `json:"idle,omitempty"`    // there is no batch for it
	Answers bool     `json:"answers,omitempty"` // it was asked for items of the batch back,
	Back    []string `json:"back,omitempty"`    // and gives these, on which it has not begun
	// How long it took to the first record, and from there to the last.
	Start   time.Duration `json:"start,omitempty"`
	Took    time.Duration `json:"took,omitempty"`
	Joined  bool          `json:"joined,omitempty"`  // it is about to take batches
	Refused string        `json:"refused,omitempty"` // why it takes none
	Failed  string        `json:"failed,omitempty"`  // why it has given one back
}

// Bounds of messages, in bytes: as they are sent, and as they are read.
const (
	mostSent = 900 << 10
	mostRead = 32 << 20
	mostName = 200 // of a worker, or an item
	mostWhy  = 8 << 10
)

var (
	encoder, _ = zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1))
	decoder, _ = zstd.NewReader(nil, zstd.WithDecoderConcurrency(0), zstd.WithDecoderMaxMemory(mostRead), zstd.WithDecoderMaxWindow(mostRead))
)

// pack gives a message as it is sent.
func pack(v any) ([]byte, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	if len(text) > mostRead {
		return nil, errTooLong
	}
	out := encoder.EncodeAll(text, nil)
	if len(out) > mostSent {
		return nil, errTooLong
	}
	return out, nil
}

var errTooLong = fmt.Errorf("a message is longer than %d bytes", mostSent)

// unpack reads a message that anybody may have sent.
func unpack(data []byte, v any) error {
	if len(data) > mostSent {
		return errTooLong
	}
	text, err := decoder.DecodeAll(data, nil)
	if err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.DisallowUnknownFields()
	return d.Decode(v)
}

// check refuses what no worker says.
func (s *said) check() error {
	if s.Worker == "" || len(s.Worker) > mostName || !printable().MatchString(s.Worker) {
		return fmt.Errorf("a message has no name of a worker")
	}
	if s.Batch < 0 || s.Given < 0 || s.Took < 0 || s.Start < 0 || len(s.Refused) > mostWhy || len(s.Failed) > mostWhy {
		return fmt.Errorf("a message of the worker %s is none that a worker sends", s.Worker)
	}
	return nil
}

var (
	printable = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^[\pL\pN._:@ -]+$`)
	})
	sums = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^[0-9a-f]{64}$`)
	})
	ids = sync.OnceValue(func() *regexp.Regexp {
		return regexp.MustCompile(`^[0-9A-Za-z]{8,64}$`)
	})
)

// Bounds of a run's files.
const mostFiles = 100

// readRun reads what a host says of its run.
func readRun(data []byte) (*Run, error) {
	r := &Run{}
	if err := json.Unmarshal(data, r); err != nil {
		return nil, err
	}
	if r.Protocol != protocol {
		return nil, fmt.Errorf("its host speaks protocol %d, and this is %d: take the same assay", r.Protocol, protocol)
	}
	if !ids().MatchString(r.ID) || len(r.Name) > mostName || len(r.Host) > mostName || r.Patience < time.Second/10 || r.Patience > 24*time.Hour || len(r.Files) > mostFiles {
		return nil, fmt.Errorf("it is described in a way that no host does")
	}
	for _, f := range r.Files {
		if !sums().MatchString(f.Sum) || f.Size < 0 || len(f.Role) > mostName {
			return nil, fmt.Errorf("a file of it is described in a way that no host does")
		}
	}
	return r, nil
}

// What a run has on the server.
const (
	runsBucket  = "assay-runs"
	filesBucket = "assay-files"
	workers     = "workers"          // the consumer of batches
	kept        = 7 * 24 * time.Hour // what nobody has taken away goes by itself
	renewed     = 24 * time.Hour     // a file that is older is stored again
)

func (r *Run) work() string { return "assay-work-" + r.ID }
func (r *Run) said() string { return "assay-said-" + r.ID }

func (r *Run) workSubject() string { return "assay.work." + r.ID }
func (r *Run) saidSubject() string { return "assay.said." + r.ID }
func (r *Run) overSubject() string { return "assay.over." + r.ID }
func (r *Run) wantSubject() string { return "assay.want." + r.ID }
