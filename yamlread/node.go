package yamlread

import (
	"fmt"
	"regexp"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

type kind uint8

const (
	scalar kind = iota
	mapping
	sequence
)

// node is one value of a file. keys and keyAt belong to a mapping and run beside items.
type node struct {
	kind      kind
	path      string
	line, col int
	text      string // scalar
	quoted    bool   // scalar: written with quotes or as a block, hence never a number
	keys      []string
	keyAt     [][2]int
	items     []*node
}

func (n *node) walk(visit func(*node)) {
	visit(n)
	for _, item := range n.items {
		item.walk(visit)
	}
}

// find returns the node at path or its nearest ancestor.
func (n *node) find(path string) *node {
	for _, item := range n.items {
		if item.path == path {
			return item
		}
		if rest, ok := strings.CutPrefix(path, item.path); ok && (rest[0] == '.' || rest[0] == '[') {
			return item.find(path)
		}
	}
	return n
}

func (n *node) errorf(name, hint, format string, args ...any) *Error {
	return &Error{name, n.line, n.col, fmt.Sprintf(format, args...), hint}
}

// what names a value's shape in an error.
func (n *node) what() string {
	switch n.kind {
	case mapping:
		return "a group of keys"
	case sequence:
		return "a list"
	}
	return fmt.Sprintf("%q", n.text)
}

// label is the path for an error message.
func (n *node) label() string {
	if n.path == "" {
		return "the file"
	}
	return n.path
}

type builder struct{ name string }

func (b *builder) refuse(at *token.Token, msg, hint string) (*node, error) {
	return nil, errorAt(b.name, at, msg, hint)
}

func (b *builder) build(from ast.Node, path string, depth int) (*node, error) {
	at := from.GetToken()
	if depth > MaxDepth {
		return b.refuse(at, "values are nested too deep", fmt.Sprintf("use at most %d levels", MaxDepth))
	}
	n := &node{path: path}
	n.line, n.col = place(at)
	switch from := from.(type) {
	case *ast.MappingNode:
		n.kind = mapping
		return n, b.addPairs(n, from.Values, depth)
	case *ast.MappingValueNode:
		n.kind = mapping
		return n, b.addPairs(n, []*ast.MappingValueNode{from}, depth)
	case *ast.SequenceNode:
		n.kind = sequence
		return n, b.addItems(n, from.Values, depth)
	case *ast.AnchorNode, *ast.AliasNode:
		return b.refuse(at, "anchors and aliases (& and *) are not taken", "write the value out")
	case *ast.TagNode:
		return b.refuse(at, "tags (!) are not taken", "write the plain value, in quotes if it begins with !")
	case *ast.DirectiveNode:
		return b.refuse(at, "directives (%) are not taken", "remove the line")
	case *ast.NullNode:
		return b.refuse(at, label(path)+" is empty", "write a value, or remove the key")
	case *ast.InfinityNode, *ast.NanNode:
		return b.refuse(at, "infinity and NaN are not numbers here", "write a finite number")
	case *ast.LiteralNode:
		n.text, n.quoted = from.Value.Value, true
		return n, nil
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		n.text, n.quoted = at.Value, at.Type == token.SingleQuoteType || at.Type == token.DoubleQuoteType
		if !n.quoted && numberLike.MatchString(n.text) && !number.MatchString(n.text) {
			return b.refuse(at, fmt.Sprintf("%s is not a plain number", n.text), "no leading zero, plus sign, underscore, bare point or prefix; put it in quotes if it is a name")
		}
		return n, nil
	}
	return b.refuse(at, fmt.Sprintf("%v is not taken here", from.Type()), "use keys, lists and plain values")
}

// A plain number, and whatever else some reader of YAML might take for one.
var (
	number     = regexp.MustCompile(`^-?(0|[1-9][0-9]*)(\.[0-9]+)?([eE][-+]?[0-9]+)?$`)
	numberLike = regexp.MustCompile(`^[-+]?(0[xXoObB][0-9a-fA-F_]+|[0-9][0-9_]*\.?[0-9_]*([eE][-+]?[0-9]+)?|\.[0-9_]+([eE][-+]?[0-9]+)?|\.(inf|Inf|INF|nan|NaN|NAN))$`)
)

func label(path string) string {
	if path == "" {
		return "the file"
	}
	return path
}

func (b *builder) addPairs(n *node, pairs []*ast.MappingValueNode, depth int) error {
	seen := make(map[string]bool, len(pairs))
	for i, pair := range pairs {
		at := pair.Key.GetToken()
		if pair.Key.IsMergeKey() {
			return errorAt(b.name, at, "merge keys (<<) are not taken", "write the keys out")
		}
		key, err := b.key(pair.Key)
		if err != nil {
			return err
		}
		if seen[key] {
			return errorAt(b.name, at, fmt.Sprintf("key %s appears twice", key), "keep one of the two")
		}
		seen[key] = true
		line, col := place(at)
		if i == 0 && n.path == "" {
			n.line, n.col = line, col
		}
		path := key
		if n.path != "" {
			path = n.path + "." + key
		}
		item, err := b.build(pair.Value, path, depth+1)
		if err != nil {
			return err
		}
		if item.kind != scalar {
			item.line, item.col = line, col
		}
		n.keys, n.keyAt, n.items = append(n.keys, key), append(n.keyAt, [2]int{line, col}), append(n.items, item)
	}
	return nil
}

// key takes only single plain or quoted words as keys.
func (b *builder) key(from ast.MapKeyNode) (string, error) {
	switch from.(type) {
	case *ast.StringNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
	default:
		return "", errorAt(b.name, from.GetToken(), "this key is not a plain word", "write a word before the colon")
	}
	at := from.GetToken()
	if at.Value == "" {
		return "", errorAt(b.name, at, "a key is empty", "write a word before the colon")
	}
	return at.Value, nil
}

func (b *builder) addItems(n *node, values []ast.Node, depth int) error {
	for i, value := range values {
		item, err := b.build(value, fmt.Sprintf("%s[%d]", n.path, i), depth+1)
		if err != nil {
			return err
		}
		if item.kind == mapping && len(item.keyAt) > 0 {
			item.line, item.col = item.keyAt[0][0], item.keyAt[0][1]
		}
		n.items = append(n.items, item)
	}
	return nil
}
