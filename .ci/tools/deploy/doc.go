// Package deploy holds the checks of the folder deploy/ that need libraries which the product does not: the types of Kubernetes, the specification of
// compositions. `.ci/deploy-test.sh` runs them; they need nothing but files.
package deploy
