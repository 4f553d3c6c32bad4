package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"

	"golang.org/x/term"

	"dwindle/collector/mqtt/account"
	"dwindle/config"
)

type accountCmd struct {
	Name string `arg:"" help:"Account: the id of a device or gateway in the site file."`
}

// Run prints the line of an account for the embedded broker's accounts_file.
// The password is asked for, or read from standard input, and never an
// argument, which anybody on the machine could read.
func (c accountCmd) Run(e *env) error {
	if !config.ValidID(c.Name) {
		return &usageError{fmt.Sprintf("%q cannot be an account: 1 to 64 letters, digits, dots, underscores or hyphens", c.Name)}
	}
	password, err := askPassword(e, c.Name)
	if err != nil {
		return err
	}
	hash, err := account.Hash(password)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(e.out, "%s:%s\n", c.Name, hash)
	return err
}

func askPassword(e *env, name string) ([]byte, error) {
	f, ok := e.in.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		line, err := bufio.NewReader(io.LimitReader(e.in, 64<<10)).ReadBytes('\n')
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("read the password: %w", err)
		}
		return bytes.TrimRight(line, "\r\n"), nil
	}
	var entries [2][]byte
	for i, prompt := range []string{"Password of %s: ", "Once more: "} {
		if i == 0 {
			prompt = fmt.Sprintf(prompt, name)
		}
		fmt.Fprint(e.err, prompt)
		entry, err := term.ReadPassword(int(f.Fd()))
		fmt.Fprintln(e.err)
		if err != nil {
			return nil, fmt.Errorf("read the password: %w", err)
		}
		entries[i] = entry
	}
	if !bytes.Equal(entries[0], entries[1]) {
		return nil, errors.New("the two entries differ\ntry: once more")
	}
	return entries[0], nil
}
