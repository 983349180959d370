// The log as it is served, read by Go's own code for such logs (golang.org/x/mod/sumdb, from Debian's
// packages): the signed note, every tile down to the root, records and trees that prove each other.
//
// Usage: log ADDRESS VKEY EARLIER-CHECKPOINT RECEIPT...
package main

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"io"
	"log"
	"net/http"
	"os"
	"strconv"
	"strings"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"
)

const height = 8

type tiles struct{ address string }

func (t tiles) Height() int { return height }

func (t tiles) ReadTiles(wanted []tlog.Tile) ([][]byte, error) {
	var all [][]byte
	for _, tile := range wanted {
		path := strings.Replace(tile.Path(), "tile/8/", "tile/", 1)
		data, err := get(t.address + "/log/" + path)
		if err != nil {
			return nil, err
		}
		all = append(all, data)
	}
	return all, nil
}

func (t tiles) SaveTiles([]tlog.Tile, [][]byte) {}

func get(address string) ([]byte, error) {
	answer, err := http.Get(address)
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	if answer.StatusCode != 200 {
		return nil, fmt.Errorf("%s: %s", address, answer.Status)
	}
	return io.ReadAll(answer.Body)
}

func must(err error) {
	if err != nil {
		log.Fatal(err)
	}
}

// opened checks the signature of a checkpoint and reads its three lines.
func opened(text []byte, key note.Verifier) tlog.Tree {
	signed, err := note.Open(text, note.VerifierList(key))
	must(err)
	lines := strings.Split(signed.Text, "\n")
	if len(lines) != 4 || lines[0] != key.Name() || lines[3] != "" {
		log.Fatalf("not a checkpoint of %s: %q", key.Name(), signed.Text)
	}
	size, err := strconv.ParseInt(lines[1], 10, 64)
	must(err)
	root, err := tlog.ParseHash(lines[2])
	must(err)
	return tlog.Tree{N: size, Hash: root}
}

// included checks a receipt: its checkpoint, and that its entry is in the tree.
func included(file string, key note.Verifier) {
	text, err := os.ReadFile(file)
	must(err)
	head, checkpoint, found := bytes.Cut(text, []byte("\n\n"))
	lines := strings.Split(string(head), "\n")
	if !found || len(lines) < 3 || lines[0] != "c2sp.org/tlog-proof@v1" {
		log.Fatalf("%s is not a receipt", file)
	}
	entry, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(lines[1], "extra "))
	must(err)
	index, err := strconv.ParseInt(strings.TrimPrefix(lines[2], "index "), 10, 64)
	must(err)
	var proof tlog.RecordProof
	for _, line := range lines[3:] {
		hash, err := tlog.ParseHash(line)
		must(err)
		proof = append(proof, hash)
	}
	tree := opened(checkpoint, key)
	must(tlog.CheckRecord(proof, tree.N, tree.Hash, index, tlog.RecordHash(entry)))
	if tlog.CheckRecord(proof, tree.N, tree.Hash, index, tlog.RecordHash(append(entry, 'x'))) == nil {
		log.Fatalf("%s: another entry has the same proof", file)
	}
}

func main() {
	address := os.Args[1]
	key, err := note.NewVerifier(os.Args[2])
	must(err)
	text, err := get(address + "/log/checkpoint")
	must(err)
	tree := opened(text, key)
	reader := tlog.TileHashReader(tree, tiles{address})

	// TileHashReader holds every tile that it reads against the root.
	for index := int64(0); index < tree.N; index++ {
		_, err := reader.ReadHashes([]int64{tlog.StoredHashIndex(0, index)})
		must(err)
		if index > 600 && index < tree.N-600 {
			index += 97
		}
	}
	earlier, err := os.ReadFile(os.Args[3])
	must(err)
	old := opened(earlier, key)
	proof, err := tlog.ProveTree(tree.N, old.N, reader)
	must(err)
	must(tlog.CheckTree(proof, tree.N, tree.Hash, old.N, old.Hash))
	for _, file := range os.Args[4:] {
		included(file, key)
	}
	fmt.Printf("size %d, consistent with size %d, %d receipts\n", tree.N, old.N, len(os.Args)-4)
}
