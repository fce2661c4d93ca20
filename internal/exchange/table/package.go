package table

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"path"
	"strings"
	"time"
)

// Profiles of Frictionless Data Package, version 2.
const (
	packageProfile = "https://datapackage.org/profiles/2.0/datapackage.json"
	schemaProfile  = "https://datapackage.org/profiles/2.0/tableschema.json"
	Descriptor     = "datapackage.json"
)

// Package is a data package: tables and what is said of them.
type Package struct {
	Name        string // small letters, digits, dots, dashes
	Title       string
	Description string
	Version     string
	Created     string // moment with zone; "" is left out
	Sources     []string
	Tables      []Table
}

// Table is a table with its schema. Cells of the columns are texts as they are written.
type Table struct {
	Name, Title string
	Fields      []Field
	Key         []string
	Foreign     []Foreign
	Rows        [][]string
}

// Foreign says that columns name a row of another table.
type Foreign struct {
	Fields []string
	Table  string
	To     []string
}

// Field is a column.
type Field struct {
	Name        string       `json:"name"`
	Type        string       `json:"type"`
	Title       string       `json:"title,omitempty"`
	Description string       `json:"description,omitempty"`
	Unit        string       `json:"unit,omitempty"` // in UCUM; an addition of ours
	RDF         string       `json:"rdfType,omitempty"`
	Missing     []string     `json:"missingValues,omitempty"`
	Constraints *Constraints `json:"constraints,omitempty"`
}

// Constraints of a column.
type Constraints struct {
	Required bool     `json:"required,omitempty"`
	Minimum  *float64 `json:"minimum,omitempty"`
	Maximum  *float64 `json:"maximum,omitempty"`
	Enum     []string `json:"enum,omitempty"`
}

type jsonPackage struct {
	Schema      string         `json:"$schema"`
	Name        string         `json:"name"`
	Title       string         `json:"title,omitempty"`
	Description string         `json:"description,omitempty"`
	Version     string         `json:"version,omitempty"`
	Created     string         `json:"created,omitempty"`
	Sources     []jsonSource   `json:"sources,omitempty"`
	Resources   []jsonResource `json:"resources"`
}

type jsonSource struct {
	Title string `json:"title"`
}

type jsonResource struct {
	Name      string     `json:"name"`
	Type      string     `json:"type"`
	Path      string     `json:"path"`
	Title     string     `json:"title,omitempty"`
	Format    string     `json:"format"`
	Mediatype string     `json:"mediatype"`
	Encoding  string     `json:"encoding"`
	Bytes     int        `json:"bytes"`
	Hash      string     `json:"hash"`
	Schema    jsonSchema `json:"schema"`
}

type jsonSchema struct {
	Schema  string        `json:"$schema"`
	Fields  []Field       `json:"fields"`
	Missing []string      `json:"missingValues"`
	Key     []string      `json:"primaryKey,omitempty"`
	Foreign []jsonForeign `json:"foreignKeys,omitempty"`
}

type jsonForeign struct {
	Fields    []string `json:"fields"`
	Reference struct {
		Resource string   `json:"resource"`
		Fields   []string `json:"fields"`
	} `json:"reference"`
}

// Files are the files of the package by name, in their order: the descriptor first.
func (p *Package) Files() (names []string, content map[string][]byte, err error) {
	content = map[string][]byte{}
	doc := jsonPackage{Schema: packageProfile, Name: p.Name, Title: p.Title, Description: p.Description, Version: p.Version, Created: p.Created, Resources: []jsonResource{}}
	for _, s := range p.Sources {
		doc.Sources = append(doc.Sources, jsonSource{s})
	}
	names = []string{Descriptor}
	for i := range p.Tables {
		t := &p.Tables[i]
		data, err := t.csv()
		if err != nil {
			return nil, nil, err
		}
		sum := sha256.Sum256(data)
		name := t.Name + ".csv"
		r := jsonResource{t.Name, "table", name, t.Title, "csv", "text/csv", "utf-8", len(data), "sha256:" + hex.EncodeToString(sum[:]),
			jsonSchema{schemaProfile, t.Fields, []string{""}, t.Key, nil}}
		for _, f := range t.Foreign {
			x := jsonForeign{Fields: f.Fields}
			x.Reference.Resource, x.Reference.Fields = f.Table, f.To
			r.Schema.Foreign = append(r.Schema.Foreign, x)
		}
		doc.Resources = append(doc.Resources, r)
		names = append(names, name)
		content[name] = data
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(doc); err != nil {
		return nil, nil, err
	}
	content[Descriptor] = b.Bytes()
	return names, content, nil
}

// csv writes the table; texts are guarded against being taken for formulas.
func (t *Table) csv() ([]byte, error) {
	head := make([]string, len(t.Fields))
	for i, f := range t.Fields {
		head[i] = f.Name
	}
	rows := [][]string{head}
	for _, cells := range t.Rows {
		row := make([]string, len(cells))
		for i, cell := range cells {
			if row[i] = cell; t.Fields[i].Type == "string" {
				row[i] = Guard(cell)
			}
		}
		rows = append(rows, row)
	}
	var b bytes.Buffer
	err := WriteCSV(&b, rows)
	return b.Bytes(), err
}

// epoch is the moment that the zip file gives for every file in it, so that equal content gives equal bytes.
var epoch = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)

// Write writes the package as one zip file.
func (p *Package) Write(out io.Writer) error {
	names, content, err := p.Files()
	if err != nil {
		return err
	}
	z := zip.NewWriter(out)
	for _, name := range names {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: epoch})
		if err != nil {
			return err
		}
		if _, err := w.Write(content[name]); err != nil {
			return err
		}
	}
	return z.Close()
}

// Bounds of a zip file that is read.
const (
	mostFiles    = 100
	MostUnpacked = 128 << 20 // of all files together
)

// Unzip reads the files of a package. What unpacks to too much is refused before it is unpacked, and while it is.
func Unzip(data []byte) (map[string][]byte, error) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, fmt.Errorf("it is no zip file: %w", err)
	}
	if len(z.File) > mostFiles {
		return nil, fmt.Errorf("it holds %d files; a package here has at most %d", len(z.File), mostFiles)
	}
	left := int64(MostUnpacked)
	files := map[string][]byte{}
	for _, f := range z.File {
		name := path.Clean(f.Name)
		if strings.HasSuffix(f.Name, "/") {
			continue
		}
		if name != f.Name || strings.HasPrefix(name, "/") || strings.HasPrefix(name, "..") || strings.Contains(name, `\`) {
			return nil, fmt.Errorf("file name %q leads out of the package", f.Name)
		}
		if f.UncompressedSize64 > uint64(left) {
			return nil, fmt.Errorf("it unpacks to more than %d MB", MostUnpacked>>20)
		}
		in, err := f.Open()
		if err != nil {
			return nil, err
		}
		content, err := io.ReadAll(io.LimitReader(in, left+1))
		in.Close()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", name, err)
		}
		if left -= int64(len(content)); left < 0 {
			return nil, fmt.Errorf("it unpacks to more than %d MB", MostUnpacked>>20)
		}
		files[name] = content
	}
	return files, nil
}
