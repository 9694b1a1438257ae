//! Labels for the nodes of a graph: cheap for each node, few borders, few labels (Boykov, Veksler, Zabih 2001).
//!
//! Repeats one move, in which any nodes may change to one label, each solved exactly by a smallest cut; the energy
//! never rises. With two labels the result is the best there is. Energies are whole numbers, so results do not
//! depend on the order of sums.

use super::flow::FlowGraph;

/// Cost of a label a node may not take; a sum of all other costs must stay below it.
pub const FORBIDDEN: i64 = 1 << 56;

/// Nodes with a cost for each label, and edges whose price is paid when their ends differ.
#[derive(Clone, Debug, Default)]
pub struct Labelling {
    labels: usize,
    /// Cost of node `n` under label `l` at `n * labels + l`.
    data: Vec<i64>,
    /// Edges of node `n` are `first[n]..first[n + 1]`.
    first: Vec<u32>,
    ends: Vec<u32>,
    prices: Vec<i64>,
    /// Paid once for each label in use.
    label_costs: Vec<i64>,
}

impl Labelling {
    /// A problem without label costs; `data` has `labels` entries for each node, no price is negative.
    ///
    /// Several edges between the same nodes add up; an edge from a node to itself costs nothing.
    #[must_use]
    pub fn new(labels: usize, data: Vec<i64>, edges: &[(u32, u32, i64)]) -> Self {
        let nodes = data.len() / labels.max(1);
        let mut first = vec![0_u32; nodes + 1];
        for &(a, b, _) in edges.iter().filter(|(a, b, _)| a != b) {
            first[a as usize + 1] += 1;
            first[b as usize + 1] += 1;
        }
        for node in 0..nodes {
            first[node + 1] += first[node];
        }
        let mut next = first.clone();
        let (mut ends, mut prices) = (vec![0; first[nodes] as usize], vec![0; first[nodes] as usize]);
        for &(a, b, price) in edges.iter().filter(|(a, b, _)| a != b) {
            for (from, to) in [(a, b), (b, a)] {
                let place = &mut next[from as usize];
                (ends[*place as usize], prices[*place as usize]) = (to, price);
                *place += 1;
            }
        }
        Self { labels, data, first, ends, prices, label_costs: vec![0; labels] }
    }

    /// Sets what each label costs if it is used at all.
    #[must_use]
    pub fn with_label_costs(mut self, label_costs: Vec<i64>) -> Self {
        self.label_costs = label_costs;
        self.label_costs.resize(self.labels, 0);
        self
    }

    /// Number of nodes.
    #[must_use]
    pub fn nodes(&self) -> usize {
        self.first.len().saturating_sub(1)
    }

    fn cost(&self, node: usize, label: u8) -> i64 {
        self.data[node * self.labels + usize::from(label)]
    }

    fn edges(&self, node: usize) -> impl Iterator<Item = (usize, i64)> {
        let range = self.first[node] as usize..self.first[node + 1] as usize;
        range.map(|edge| (self.ends[edge] as usize, self.prices[edge]))
    }

    /// The cheapest label of each node on its own; of equal ones the first.
    #[must_use]
    pub fn cheapest(&self) -> Vec<u8> {
        let best = |costs: &[i64]| (0..costs.len()).min_by_key(|l| costs[*l]).unwrap_or(0) as u8;
        self.data.chunks(self.labels.max(1)).map(best).collect()
    }

    /// Whole cost of a labelling.
    #[must_use]
    pub fn energy(&self, labels: &[u8]) -> i64 {
        let mut energy: i64 =
            self.used(labels).iter().zip(&self.label_costs).map(|(used, c)| i64::from(*used) * c).sum();
        for (node, &label) in labels.iter().enumerate() {
            energy += self.cost(node, label);
            let borders = self.edges(node).filter(|(end, _)| *end > node && labels[*end] != label);
            energy += borders.map(|(_, price)| price).sum::<i64>();
        }
        energy
    }

    fn used(&self, labels: &[u8]) -> Vec<bool> {
        let mut used = vec![false; self.labels];
        for &label in labels {
            used[usize::from(label)] = true;
        }
        used
    }

    /// Improves a labelling until no move helps, or for so many rounds over all labels; returns its energy.
    pub fn improve(&self, labels: &mut [u8], rounds_max: usize) -> i64 {
        let mut graph = FlowGraph::default();
        let mut energy = self.energy(labels);
        let mut idle = 0;
        for label in (0..self.labels as u8).cycle().take(self.labels * rounds_max) {
            let before = energy;
            energy = self.expand(labels, label, energy, &mut graph);
            debug_assert!(energy <= before);
            idle = if energy < before { 0 } else { idle + 1 };
            if idle == self.labels {
                break;
            }
        }
        energy
    }

    /// One move: lets every node that gains by it change to `label`; returns the new energy.
    fn expand(&self, labels: &mut [u8], label: u8, energy: i64, graph: &mut FlowGraph) -> i64 {
        let plan = Move::new(self, labels, label);
        if plan.open.is_empty() {
            return energy;
        }
        plan.build(graph);
        graph.max_flow();
        let open = plan.open;
        let takes = open.iter().zip(0..).filter(|(_, index)| graph.is_sink_side(*index));
        let takes: Vec<(usize, u8)> = takes.map(|(node, _)| (*node as usize, labels[*node as usize])).collect();
        for &(node, _) in &takes {
            labels[node] = label;
        }
        let moved = if takes.is_empty() { energy } else { self.energy(labels) };
        if moved >= energy {
            // Another labelling of the same energy: stay, so that the rounds come to an end.
            for &(node, old) in &takes {
                labels[node] = old;
            }
        }
        moved.min(energy)
    }
}

/// Where a node stands in one move.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Standing {
    /// Has the label of the move already.
    Has,
    /// Keeps its label in every best move, or may not take the other.
    Keeps,
    /// To be decided; its node in the flow graph.
    Open(u32),
}

/// A move that lets nodes change to one label.
struct Move<'a> {
    problem: &'a Labelling,
    labels: &'a [u8],
    label: u8,
    standing: Vec<Standing>,
    /// Nodes to be decided.
    open: Vec<u32>,
}

impl<'a> Move<'a> {
    /// Finds the nodes whose part in the move is sure from their own costs.
    fn new(problem: &'a Labelling, labels: &'a [u8], label: u8) -> Self {
        // A node may at most save all label costs and the price of all its edges.
        let refund: i64 = problem.label_costs.iter().sum();
        let mut open = Vec::new();
        let mut standing = |node: usize| {
            if labels[node] == label {
                return Standing::Has;
            }
            let take = problem.cost(node, label);
            let saved: i64 = problem.edges(node).map(|(_, price)| price).sum();
            if take >= FORBIDDEN || take >= problem.cost(node, labels[node]) + saved + refund {
                return Standing::Keeps;
            }
            open.push(node as u32);
            Standing::Open(open.len() as u32 - 1)
        };
        let standing = (0..labels.len()).map(&mut standing).collect();
        Self { problem, labels, label, standing, open }
    }

    /// The flow graph: the source's side keeps, the sink's side takes the label.
    fn build(&self, graph: &mut FlowGraph) {
        let label_costs = self.problem.label_costs.iter().enumerate().filter(|(_, cost)| **cost > 0);
        let label_costs: Vec<(usize, i64)> = label_costs.map(|(label, cost)| (label, *cost)).collect();
        graph.reset(self.open.len() + label_costs.len());
        for (&node, index) in self.open.iter().zip(0..) {
            let (keep, take) = self.join(node as usize, index, graph);
            let shared = keep.min(take);
            graph.add_terminals(index, take - shared, keep - shared);
        }
        for (&(label, cost), extra) in label_costs.iter().zip(self.open.len() as u32..) {
            self.add_label_cost(label, cost, extra, graph);
        }
    }

    /// Joins an open node to its open neighbours; returns what keeping and taking cost besides.
    fn join(&self, node: usize, index: u32, graph: &mut FlowGraph) -> (i64, i64) {
        let mut keep = self.problem.cost(node, self.labels[node]);
        let mut take = self.problem.cost(node, self.label);
        for (end, price) in self.problem.edges(node) {
            let same = self.labels[end] == self.labels[node];
            match self.standing[end] {
                Standing::Has => keep += price,
                Standing::Keeps if same => take += price,
                Standing::Open(other) if end > node && same => graph.add_edge(index, other, price, price),
                Standing::Open(other) if end > node => {
                    // Both keep or one takes: price; both take: nothing.
                    keep += price;
                    graph.add_edge(index, other, 0, price);
                }
                // Differs whatever this node does, or was joined from the other end.
                Standing::Keeps | Standing::Open(_) => {}
            }
        }
        (keep, take)
    }

    /// One more node that pays for a label unless all its nodes give it up, or, for the label of the move, once any
    /// node takes it (Delong, Osokin, Isack, Boykov 2012).
    fn add_label_cost(&self, label: usize, cost: i64, extra: u32, graph: &mut FlowGraph) {
        let holds = |node: &usize| usize::from(self.labels[*node]) == label;
        let stays = |node: usize| !matches!(self.standing[node], Standing::Open(_));
        if (0..self.labels.len()).filter(holds).any(stays) {
            return;
        }
        let is_new = usize::from(self.label) == label;
        for (&node, index) in self.open.iter().zip(0..) {
            if is_new {
                graph.add_edge(extra, index, cost, 0);
            } else if holds(&(node as usize)) {
                graph.add_edge(index, extra, cost, 0);
            }
        }
        let (from_source, to_sink) = if is_new { (cost, 0) } else { (0, cost) };
        graph.add_terminals(extra, from_source, to_sink);
    }
}
