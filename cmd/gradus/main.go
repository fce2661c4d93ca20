// Command gradus runs, scores and explains submaximal exercise tests.
package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"github.com/alecthomas/kong"

	"gradus/interpret"
)

// Exit codes of the program.
const (
	exitDone    = 0
	exitRefused = 1 // bad input, or an answer that was refused
	exitUsage   = 2 // the command line itself is wrong
)

// commands is the whole command line; each command lives in its own file.
type commands struct {
	Serve       serveCmd       `cmd:"" help:"Serve the pages of the bedside on this machine: people, prepare, run, result."`
	Demo        demoCmd        `cmd:"" help:"The same with invented people and a record that is thrown away."`
	Doctor      doctorCmd      `cmd:"" help:"Look at what the server stands on: disk, clock, record, backup, certificates, keys, network."`
	Certificate certificateCmd `cmd:"" help:"Make or renew the certificates for tablets and second screens on the local network."`
	Score       scoreCmd       `cmd:"" help:"Score filled-in data sheets: what happened, was it valid, the estimate with its error."`
	Estimate    estimateCmd    `cmd:"" help:"Estimate peak oxygen uptake from given values, or for every row of a CSV file."`
	Estimators  estimatorsCmd  `cmd:"" help:"List the estimators with inputs, error and source."`
	Interpret   interpretCmd   `cmd:"" help:"Say what a peak oxygen uptake means: percentile, percent of predicted, daily tasks."`
	Change      changeCmd      `cmd:"" help:"Compare the tests of each person: beyond error, large enough, how sure, what moved."`
	Prescribe   prescribeCmd   `cmd:"" help:"Propose an exercise plan from a test: targets with error, work rates, weeks."`
	Report      reportCmd      `cmd:"" help:"Make a paper of a test: note, letter, comparison, blank sheet or exercise plan, as PDF, HTML or text."`
	References  referencesCmd  `cmd:"" help:"List the reference tables with how each is known."`
	Protocol    protocolCmd    `cmd:"" help:"List, show or check protocol files."`
	Screen      screenCmd      `cmd:"" help:"Before a test: may this person be tested today, and who decides?"`
	Replay      replayCmd      `cmd:"" help:"Replay an event list to its state and result."`
	Log         logCmd         `cmd:"" help:"List recorded tests, or print the events of one as JSON lines."`
	Audit       auditCmd       `cmd:"" help:"The trail of who saw and did what: verify, show, export, anchor."`
	Export      exportCmd      `cmd:"" help:"Hand tests to other systems: FHIR, a data package, a workbook."`
	Files       filesCmd       `cmd:"" help:"What a record keeps as files: own protocols, comparisons with papers, mappings, study codes."`
	Move        moveCmd        `cmd:"" help:"Copy a whole record between a directory and a database, and verify it."`
	Sync        syncCmd        `cmd:"" help:"Send what this site has recorded to a centre, or let a site send to this one."`
	Import      importCmd      `cmd:"" help:"Take patients, vital signs or old sheets from other systems."`
	Accounts    accountsCmd    `cmd:"" help:"Who may sign in: add, list, new one-time code."`
	Check       checkCmd       `cmd:"" help:"Check a file of another system before it is used."`
	Keys        keysCmd        `cmd:"" help:"Passphrase, recovery sheet and key of an encrypted record."`
	Backup      backupCmd      `cmd:"" help:"Make a backup of a record, also while it is served: encrypted, read through, sealed."`
	Restore     restoreCmd     `cmd:"" help:"Put a backup into a new directory, or try whether that works."`
	Version     versionCmd     `cmd:"" help:"Print the version and the standing of this program."`
}

// env is what a command may touch of the world outside.
type env struct {
	in       io.Reader
	out, err io.Writer
	today    func() time.Time
}

// errReported ends a command with exit code 1 after it has said all there is to say on stderr.
var errReported = errors.New("already reported")

// usageError is a fault in the command line that the parser cannot see; it ends with exit code 2.
type usageError struct{ msg string }

func (e usageError) Error() string { return e.msg }

func main() { os.Exit(run(os.Args[1:], os.Stdin, os.Stdout, os.Stderr)) }

func run(args []string, in io.Reader, out, errw io.Writer) int {
	var c commands
	exit := -1
	parser, err := kong.New(&c,
		kong.Name("gradus"),
		kong.Description("Submaximal exercise tests: run, score, explain. It informs; the clinician decides. Not certified as a medical device."),
		kong.Writers(out, errw),
		kong.Exit(func(code int) { exit = code }),
		kong.Vars{"default_reference": interpret.DefaultReference, "default_equation": interpret.DefaultEquation},
		kong.ConfigureHelp(kong.HelpOptions{Compact: true}),
	)
	if err != nil {
		panic("gradus: command table: " + err.Error())
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	ctx, err := parser.Parse(args)
	if exit >= 0 {
		return exit // --help has printed what was asked for
	}
	if err != nil {
		fmt.Fprintf(errw, "gradus: %v\nTry: gradus --help\n", err)
		return exitUsage
	}
	err = ctx.Run(&env{in: in, out: out, err: errw, today: time.Now})
	var usage usageError
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errReported):
		return exitRefused
	case errors.As(err, &usage):
		fmt.Fprintf(errw, "gradus: %v\nTry: gradus %s --help\n", err, ctx.Command())
		return exitUsage
	}
	fmt.Fprintf(errw, "gradus: %v\n", err)
	return exitRefused
}
