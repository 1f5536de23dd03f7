package deploy

import (
	"bytes"
	"fmt"
	"io"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"
	appsv1 "k8s.io/api/apps/v1"
	batchv1 "k8s.io/api/batch/v1"
	corev1 "k8s.io/api/core/v1"
	networkingv1 "k8s.io/api/networking/v1"
	policyv1 "k8s.io/api/policy/v1"
	metav1 "k8s.io/apimachinery/pkg/apis/meta/v1"
	k8syaml "k8s.io/apimachinery/pkg/util/yaml"
	"sigs.k8s.io/yaml"
)

// kinds are the types that a manifest is decoded into, unknown and repeated fields refused.
func kinds() map[string]any {
	return map[string]any{
		"v1/Namespace": &corev1.Namespace{}, "v1/ServiceAccount": &corev1.ServiceAccount{}, "v1/ConfigMap": &corev1.ConfigMap{}, "v1/Secret": &corev1.Secret{},
		"v1/Service": &corev1.Service{}, "apps/v1/Deployment": &appsv1.Deployment{}, "batch/v1/Job": &batchv1.Job{},
		"policy/v1/PodDisruptionBudget": &policyv1.PodDisruptionBudget{}, "networking.k8s.io/v1/NetworkPolicy": &networkingv1.NetworkPolicy{},
	}
}

// operators are the kinds of the operator of Postgres, which are not in Kubernetes' own types.
var operators = map[string]bool{"postgresql.cnpg.io/v1/Cluster": true, "postgresql.cnpg.io/v1/ScheduledBackup": true, "barmancloud.cnpg.io/v1/ObjectStore": true}

type manifest struct {
	file, kind, name string
	text             []byte
	object           any
}

// decode reads one document strictly.
func decode(file string, text []byte) (manifest, error) {
	var head struct {
		metav1.TypeMeta
		Metadata metav1.ObjectMeta
	}
	if err := yaml.Unmarshal(text, &head); err != nil {
		return manifest{}, err
	}
	m := manifest{file: file, kind: head.APIVersion + "/" + head.Kind, name: head.Metadata.Name, text: text}
	if operators[m.kind] {
		return m, nil
	}
	m.object = kinds()[m.kind]
	if m.object == nil {
		return m, fmt.Errorf("%s: there is no type for %q", file, m.kind)
	}
	return m, yaml.UnmarshalStrict(text, m.object)
}

func manifests(t *testing.T) []manifest {
	t.Helper()
	paths, err := filepath.Glob(filepath.Join(folder, "kubernetes", "*.yaml"))
	if err != nil || len(paths) == 0 {
		t.Fatalf("no manifests: %v", err)
	}
	var all []manifest
	for _, path := range paths {
		content, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		documents := k8syaml.NewYAMLReader(newReader(content))
		for {
			text, err := documents.Read()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatalf("%s: %v", path, err)
			}
			m, err := decode(filepath.Base(path), text)
			if err != nil {
				t.Errorf("%s: %v", path, err)
				continue
			}
			all = append(all, m)
		}
	}
	return all
}

// TestManifestsFit: what one manifest names, another one has: labels, ports, secrets, settings, the service account.
func TestManifestsFit(t *testing.T) {
	all := manifests(t)
	pods := map[string]corev1.PodTemplateSpec{}
	named := map[string]bool{}
	for _, m := range all {
		named[m.kind+"/"+m.name] = true
		switch o := m.object.(type) {
		case *appsv1.Deployment:
			pods[m.name] = o.Spec.Template
			if !selects(o.Spec.Selector.MatchLabels, o.Spec.Template.Labels) {
				t.Error("the deployment does not select its own pods")
			}
		case *batchv1.Job:
			pods[m.name] = o.Spec.Template
		}
	}
	if len(pods) != 2 {
		t.Fatalf("pods of %d workloads, want those of the service and of the migration", len(pods))
	}
	for _, m := range all {
		switch o := m.object.(type) {
		case *corev1.Service:
			checkService(t, o, pods["ponderal"])
		case *policyv1.PodDisruptionBudget:
			if !selects(o.Spec.Selector.MatchLabels, pods["ponderal"].Labels) || o.Spec.MinAvailable.IntValue() != 1 {
				t.Error("the disruption budget does not keep one replica of the service")
			}
		}
	}
	for name, pod := range pods {
		checkPod(t, name, pod.Spec, named)
	}
}

func selects(selector, labels map[string]string) bool {
	for k, v := range selector {
		if labels[k] != v {
			return false
		}
	}
	return len(selector) > 0
}

func checkService(t *testing.T, s *corev1.Service, pod corev1.PodTemplateSpec) {
	t.Helper()
	if !selects(s.Spec.Selector, pod.Labels) {
		t.Errorf("service %s selects no pod", s.Name)
	}
	ports := map[string]bool{}
	for _, p := range pod.Spec.Containers[0].Ports {
		ports[p.Name] = true
	}
	for _, p := range s.Spec.Ports {
		if !ports[p.TargetPort.StrVal] {
			t.Errorf("service %s: no container port is called %q", s.Name, p.TargetPort.StrVal)
		}
	}
}

// checkPod: no privilege, nothing writable, bounded memory, and everything named is there.
func checkPod(t *testing.T, name string, pod corev1.PodSpec, named map[string]bool) {
	t.Helper()
	if s := pod.SecurityContext; s == nil || s.RunAsNonRoot == nil || !*s.RunAsNonRoot || s.SeccompProfile == nil || *s.RunAsUser == 0 {
		t.Errorf("%s may run as root or without seccomp", name)
	}
	if pod.EnableServiceLinks == nil || *pod.EnableServiceLinks {
		t.Errorf("%s: variables of services begin with PONDERAL_ and are refused as unknown settings", name)
	}
	for _, v := range pod.Volumes {
		if v.Secret == nil || !named["v1/Secret/"+v.Secret.SecretName] {
			t.Errorf("%s: volume %s is no secret that is there", name, v.Name)
		}
	}
	for _, c := range pod.Containers {
		s := c.SecurityContext
		if s == nil || !*s.ReadOnlyRootFilesystem || *s.AllowPrivilegeEscalation || len(s.Capabilities.Drop) != 1 || s.Capabilities.Drop[0] != "ALL" {
			t.Errorf("%s: the container has more rights than it needs", name)
		}
		if c.Resources.Limits.Memory().IsZero() || c.Resources.Requests.Cpu().IsZero() {
			t.Errorf("%s: the container's resources are not bounded", name)
		}
		for _, e := range c.EnvFrom {
			if !named["v1/ConfigMap/"+e.ConfigMapRef.Name] {
				t.Errorf("%s: there is no config map %s", name, e.ConfigMapRef.Name)
			}
		}
		for _, e := range c.Env {
			if !named["v1/Secret/"+e.ValueFrom.SecretKeyRef.Name] {
				t.Errorf("%s: %s comes from no secret that is there", name, e.Name)
			}
		}
	}
}

// TestSettingsAreKnown: `ponderal serve -h` names each setting of the config map; the service refuses one that it does not know.
func TestSettingsAreKnown(t *testing.T) {
	help, err := os.ReadFile(os.Getenv(scrapeVariable) + ".settings")
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, m := range manifests(t) {
		c, ok := m.object.(*corev1.ConfigMap)
		if !ok {
			continue
		}
		for name := range maps.Keys(c.Data) {
			if strings.HasPrefix(name, "PONDERAL_") {
				seen++
				if !bytes.Contains(help, []byte(name)) {
					t.Errorf("there is no setting %s", name)
				}
			}
		}
	}
	if seen < 5 {
		t.Errorf("%d settings seen", seen)
	}
}

// TestProbesAskPathsThatAreServed: the paths are those that the running service answered with 200 before (`.ci/deploy-test.sh`).
func TestProbesAskPathsThatAreServed(t *testing.T) {
	for _, m := range manifests(t) {
		d, ok := m.object.(*appsv1.Deployment)
		if !ok {
			continue
		}
		c := d.Spec.Template.Spec.Containers[0]
		if c.ReadinessProbe.HTTPGet.Path != "/readyz" || c.LivenessProbe.HTTPGet.Path != "/healthz" || c.StartupProbe.HTTPGet.Path != "/healthz" {
			t.Error("a probe asks another path")
		}
		if *d.Spec.Replicas < 2 || c.Lifecycle.PreStop == nil || len(d.Spec.Template.Spec.TopologySpreadConstraints) == 0 {
			t.Error("one replica, no pause before the stop, or all on one node")
		}
		if grace := *d.Spec.Template.Spec.TerminationGracePeriodSeconds; grace < c.Lifecycle.PreStop.Sleep.Seconds+20 {
			t.Errorf("%d s are too short for the pause and the requests in flight", grace)
		}
		return
	}
	t.Error("there is no deployment")
}

// TestExamplesHoldNoSecret: every value of an example of a secret says that it has to be replaced.
func TestExamplesHoldNoSecret(t *testing.T) {
	for _, m := range manifests(t) {
		s, ok := m.object.(*corev1.Secret)
		if !ok {
			continue
		}
		if len(s.Data) > 0 {
			t.Errorf("secret %s has data", s.Name)
		}
		for key, value := range s.StringData {
			if key != "username" && !strings.Contains(value, "REPLACE") {
				t.Errorf("secret %s, %s: a value", s.Name, key)
			}
		}
	}
}

// TestUnknownFieldIsRefused: the strict reading is strict.
func TestUnknownFieldIsRefused(t *testing.T) {
	text := "apiVersion: v1\nkind: ConfigMap\nmetadata: {name: a}\ndata: {}\n"
	if _, err := decode("a", []byte(text)); err != nil {
		t.Errorf("a good one: %v", err)
	}
	if _, err := decode("a", []byte(text+"dat: {}\n")); err == nil {
		t.Error("an unknown field is taken")
	}
	if _, err := decode("a", []byte("apiVersion: v2\nkind: ConfigMap\n")); err == nil {
		t.Error("an unknown kind is taken")
	}
}

// TestObjectStoreFitsItsSchema: the schema is the one that the backup plugin's own module carries.
func TestObjectStoreFitsItsSchema(t *testing.T) {
	schema := objectStoreSchema(t)
	seen := false
	for _, m := range manifests(t) {
		if m.kind != "barmancloud.cnpg.io/v1/ObjectStore" {
			continue
		}
		seen = true
		if err := schema.Validate(instance(t, m.text)); err != nil {
			t.Error(err)
		}
		if schema.Validate(instance(t, bytes.Replace(m.text, []byte("destinationPath"), []byte("destination"), 1))) == nil {
			t.Error("an unknown field is taken")
		}
		if schema.Validate(instance(t, bytes.Replace(m.text, []byte("gzip"), []byte("squeeze"), 1))) == nil {
			t.Error("an unknown word is taken")
		}
	}
	if !seen {
		t.Error("there is no object store")
	}
}

func instance(t *testing.T, text []byte) any {
	t.Helper()
	asJSON, err := yaml.YAMLToJSON(text)
	if err != nil {
		t.Fatal(err)
	}
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func objectStoreSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	text, err := os.ReadFile(os.Getenv(scrapeVariable) + ".objectstore.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var crd map[string]any
	if err := yaml.Unmarshal(text, &crd); err != nil {
		t.Fatal(err)
	}
	version := crd["spec"].(map[string]any)["versions"].([]any)[0].(map[string]any)
	schema := version["schema"].(map[string]any)["openAPIV3Schema"]
	closed(schema)
	c := jsonschema.NewCompiler()
	if err := c.AddResource("objectstore.json", schema); err != nil {
		t.Fatal(err)
	}
	compiled, err := c.Compile("objectstore.json")
	if err != nil {
		t.Fatal(err)
	}
	return compiled
}

// closed refuses, in every object whose members are listed, what is not in the list, as the server does with strict validation.
func closed(schema any) {
	switch s := schema.(type) {
	case map[string]any:
		if members, ok := s["properties"].(map[string]any); ok && s["type"] == "object" && len(members) > 0 {
			s["additionalProperties"] = false
		}
		for _, v := range s {
			closed(v)
		}
	case []any:
		for _, v := range s {
			closed(v)
		}
	}
}
